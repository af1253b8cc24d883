//! Where the events of a bundle stand in its spooled lines, by stream.

use std::collections::HashMap;
use std::io;

use calendar::Datelike as _;
use domain::event::{CaseEvent, Event, FirmEvent, LATE_AFTER_DAYS, Recorded, StreamId};
use domain::terms::WORK_MAX;
use domain::value::Personal;
use uuid::Uuid;

use crate::envelope::Envelope;
use crate::spool::Pieces;

/// Most bytes of a client's events that are held at once: those of its case, its account and the accounts that
/// paid in its stead.
pub(crate) const HELD_BYTES_MAX: usize = 1 << 24;
/// A line above this counts without its personal values.
const LONG_BYTES: usize = 4_096;

/// One event's line.
#[derive(Clone, Copy, Debug)]
struct Entry {
    offset: u64,
    length: u32,
    stream: u32,
}

/// The lines in the order of the log.
#[derive(Default)]
pub(crate) struct Index {
    entries: Vec<Entry>,
    streams: Vec<StreamId>,
    counts: Vec<u32>,
    places: HashMap<StreamId, u32>,
}

/// The lines by stream.
pub(crate) struct ByStream {
    entries: Vec<Entry>,
    /// Lines grouped by stream, in order within each.
    order: Vec<u32>,
    /// Where each stream's group begins, and one more.
    starts: Vec<u32>,
    streams: Vec<StreamId>,
    places: HashMap<StreamId, u32>,
}

fn place(number: usize) -> u32 {
    u32::try_from(number).expect("a bundle has at most EVENTS_MAX events")
}

fn at(place: u32) -> usize {
    usize::try_from(place).unwrap_or(usize::MAX)
}

impl Index {
    /// Adds the next line, and tells how many lines its stream has with it.
    pub(crate) fn add(&mut self, stream: StreamId, offset: u64, length: usize) -> u64 {
        let next = place(self.streams.len());
        let number = *self.places.entry(stream).or_insert(next);
        if number == next {
            self.streams.push(stream);
            self.counts.push(0);
        }
        self.entries.push(Entry { offset, length: place(length), stream: number });
        let count = &mut self.counts[at(number)];
        *count += 1;
        u64::from(*count)
    }

    pub(crate) fn length(&self) -> usize {
        self.entries.len()
    }

    /// Every stream and how many events it has.
    pub(crate) fn counts(&self) -> impl Iterator<Item = (StreamId, u64)> {
        self.streams.iter().copied().zip(self.counts.iter().copied().map(u64::from))
    }

    /// Groups the lines.
    pub(crate) fn by_stream(self) -> ByStream {
        let mut starts = Vec::with_capacity(self.counts.len() + 1);
        let mut sum = 0;
        for count in &self.counts {
            starts.push(sum);
            sum += count;
        }
        starts.push(sum);
        let mut next = starts.clone();
        let mut order = vec![0; self.entries.len()];
        for (number, entry) in self.entries.iter().enumerate() {
            let slot = &mut next[at(entry.stream)];
            order[at(*slot)] = place(number);
            *slot += 1;
        }
        let Self { entries, streams, places, .. } = self;
        ByStream { entries, order, starts, streams, places }
    }
}

/// A line that does not say what its place calls for.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Unread {
    /// Counted from 1.
    pub(crate) line: u64,
    /// The position that it states.
    pub(crate) position: Option<u64>,
    /// What is wrong.
    pub(crate) what: String,
}

impl ByStream {
    /// Each client, account holder, or who was looked at, once, in the order of first appearance.
    pub(crate) fn parties(&self) -> Vec<Uuid> {
        let mut seen = std::collections::HashSet::new();
        let ids = self.streams.iter().filter_map(|stream| match stream {
            StreamId::Case(case) | StreamId::Looks(case) => Some(case.0),
            StreamId::Account(account) => Some(account.0),
            StreamId::Deposit(_) | StreamId::Firm => None,
        });
        ids.filter(|id| seen.insert(*id)).collect()
    }

    /// Whether the bundle has a stream.
    pub(crate) fn has(&self, stream: &StreamId) -> bool {
        self.places.contains_key(stream)
    }

    /// The streams that no client's rows are made of and the firm's are not either.
    pub(crate) fn others(&self) -> impl Iterator<Item = StreamId> {
        self.streams.iter().copied().filter(|stream| match stream {
            StreamId::Deposit(_) => true,
            StreamId::Case(_) | StreamId::Account(_) | StreamId::Looks(_) | StreamId::Firm => false,
        })
    }

    /// The events of a stream, decoded, in order, without those that do not say what they should and without
    /// personal values, which nothing is made of. Their bytes are added to those held; nothing comes back if
    /// that is more than is held of one client.
    pub(crate) fn load(
        &self,
        stream: StreamId,
        pieces: &mut Pieces,
        unread: &mut Vec<Unread>,
        held: &mut usize,
    ) -> io::Result<Option<Vec<Recorded>>> {
        let mut events = Vec::new();
        self.each(stream, pieces, unread, |mut recorded, bytes, _| {
            recorded.event.each_personal(&mut |value| *value = Personal::from_sealed(""));
            let is_long = bytes > LONG_BYTES;
            *held += if is_long { recorded.to_bytes().len() } else { bytes };
            if *held <= HELD_BYTES_MAX {
                events.push(recorded);
            }
            Ok(())
        })?;
        Ok((*held <= HELD_BYTES_MAX).then_some(events))
    }

    fn lines(&self, stream: StreamId) -> &[u32] {
        let Some(&number) = self.places.get(&stream) else { return &[] };
        &self.order[at(self.starts[at(number)])..at(self.starts[at(number) + 1])]
    }

    /// The same one by one and as they are, each with the length of its line: a firm's own stream may be longer than should be held. What is handed on is numbered
    /// anew without gaps, as a fold wants it: its place in the stream was looked at when it was read.
    pub(crate) fn each(
        &self,
        stream: StreamId,
        pieces: &mut Pieces,
        unread: &mut Vec<Unread>,
        mut take: impl FnMut(Recorded, usize, &mut Vec<Unread>) -> io::Result<()>,
    ) -> io::Result<()> {
        let mut bytes = Vec::new();
        let (mut version, mut before) = (0, 0);
        for &line in self.lines(stream) {
            let entry = self.entries[at(line)];
            bytes.resize(at(entry.length), 0);
            pieces.read(entry.offset, &mut bytes)?;
            let decoded = decode(stream, &bytes).and_then(|recorded| {
                let is_next = recorded.position > before;
                is_next
                    .then_some(recorded)
                    .ok_or_else(|| "it stands behind a later event".to_owned())
            });
            match decoded {
                Ok(recorded) => {
                    (version, before) = (version + 1, recorded.position);
                    take(Recorded { stream_version: version, ..recorded }, bytes.len(), unread)?;
                }
                Err(what) => {
                    let text = std::str::from_utf8(&bytes).ok();
                    let position = text.and_then(Envelope::read).map(|envelope| envelope.position);
                    unread.push(Unread { line: u64::from(line) + 1, position, what });
                }
            }
        }
        Ok(())
    }
}

/// The days between which an event can have happened. What is reckoned from them stays in four digits.
pub(crate) const YEARS: std::ops::RangeInclusive<i32> = 1900..=2999;
/// The same in microseconds since 1970.
const MICROS: std::ops::Range<i64> = -2_208_988_800_000_000..32_503_680_000_000_000;
pub(crate) const MICROS_PER_DAY: i64 = 86_400_000_000;
/// 1970-01-01 in days from the first of the common era.
pub(crate) const EPOCH_DAY: i64 = 719_163;
/// Days by which the civil day of a zone and that of UTC can part.
pub(crate) const ZONE_DAYS: i64 = 1;

/// An event that says what its place calls for, in the one form it has.
fn decode(stream: StreamId, bytes: &[u8]) -> Result<Recorded, String> {
    let recorded = Recorded::from_bytes_strictly(bytes).map_err(|error| error.to_string())?;
    let Some(again) = recorded.to_bytes_of_plain_days() else {
        return Err("a day in the event is not of the years 0001 to 9999".into());
    };
    if again != bytes {
        return Err("the event is not in its one form".into());
    }
    if recorded.stream != stream || !belongs(&recorded) {
        return Err("the event does not belong to its kind of stream".into());
    }
    if !is_bounded(&recorded.event) {
        return Err(format!("the event has more than {WORK_MAX} pieces of work of one period"));
    }
    if !YEARS.contains(&recorded.occurred_on.year()) {
        return Err("the event did not happen between the years 1900 and 2999".into());
    }
    if !MICROS.contains(&recorded.recorded_at.0) {
        return Err("the event was not recorded between the years 1900 and 2999".into());
    }
    if let Some(at) = recorded.occurred_at {
        let day = at.0.div_euclid(MICROS_PER_DAY) + EPOCH_DAY;
        let apart = day - i64::from(recorded.occurred_on.num_days_from_ce());
        if apart.abs() > ZONE_DAYS || at > recorded.recorded_at {
            return Err("occurred_at is not on its day, or behind its recording".into());
        }
    }
    let recorded_on = recorded.recorded_at.0.div_euclid(MICROS_PER_DAY) + EPOCH_DAY;
    let late = recorded_on - i64::from(recorded.occurred_on.num_days_from_ce());
    // Of the firm's first event it is not known: before it there is no zone in which days are counted.
    let is_first = matches!(recorded.event, Event::Firm(FirmEvent::FirmRegistered(_)));
    let is_right = match recorded.late_days.map(i64::from) {
        days if is_first => days.is_none(),
        Some(days) => days > LATE_AFTER_DAYS && (days - late).abs() <= ZONE_DAYS,
        None => late <= LATE_AFTER_DAYS + ZONE_DAYS,
    };
    if is_right {
        Ok(recorded)
    } else {
        Err("late_days is not what lies between its day and its recording".into())
    }
}

/// Whether the lists of work that fees are judged by are as short as the ledger writes them.
fn is_bounded(event: &Event) -> bool {
    let most = match event {
        Event::Case(CaseEvent::ConsentSigned(e)) => {
            e.terms.first_work.len().max(e.terms.monthly_work.len())
        }
        Event::Case(CaseEvent::FeeEarned(e)) => e.evidence.len(),
        Event::Firm(FirmEvent::PlanPublished(e)) => {
            e.plan.first_work.len().max(e.plan.monthly_work.len())
        }
        Event::Case(_)
        | Event::Account(_)
        | Event::Deposit(_)
        | Event::Firm(_)
        | Event::Look(_) => 0,
    };
    most <= WORK_MAX
}

fn belongs(recorded: &Recorded) -> bool {
    matches!(
        (&recorded.event, recorded.stream),
        (Event::Case(_), StreamId::Case(_))
            | (Event::Account(_), StreamId::Account(_))
            | (Event::Deposit(_), StreamId::Deposit(_))
            | (Event::Firm(_), StreamId::Firm)
            | (Event::Look(_), StreamId::Looks(_))
    )
}
