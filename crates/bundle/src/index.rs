//! Where the events of a bundle stand in its spooled lines, by stream.

use std::collections::HashMap;
use std::io;

use domain::event::{Recorded, StreamId};
use uuid::Uuid;

use crate::spool::Pieces;

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
#[derive(Debug, thiserror::Error)]
pub(crate) enum LoadError {
    #[error("the spooled events cannot be read")]
    Io(#[from] io::Error),
    #[error("{what}")]
    Event { line: u64, what: String },
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

    /// The events of a stream, decoded, in order.
    pub(crate) fn load(
        &self,
        stream: StreamId,
        pieces: &mut Pieces,
    ) -> Result<Vec<Recorded>, LoadError> {
        let mut events = Vec::with_capacity(self.lines(stream).len());
        self.each(stream, pieces, |recorded| {
            events.push(recorded);
            Ok(())
        })?;
        Ok(events)
    }

    fn lines(&self, stream: StreamId) -> &[u32] {
        let Some(&number) = self.places.get(&stream) else { return &[] };
        &self.order[at(self.starts[at(number)])..at(self.starts[at(number) + 1])]
    }

    /// The same one by one: a firm's own stream may be longer than should be held.
    pub(crate) fn each(
        &self,
        stream: StreamId,
        pieces: &mut Pieces,
        mut take: impl FnMut(Recorded) -> io::Result<()>,
    ) -> Result<(), LoadError> {
        let mut bytes = Vec::new();
        for (version, &line) in (1..).zip(self.lines(stream)) {
            let entry = self.entries[at(line)];
            bytes.resize(at(entry.length), 0);
            pieces.read(entry.offset, &mut bytes)?;
            let fault = |what: String| LoadError::Event { line: u64::from(line) + 1, what };
            let recorded =
                Recorded::from_bytes(&bytes).map_err(|error| fault(error.to_string()))?;
            if recorded.stream != stream || recorded.stream_version != version {
                return Err(fault("the event is not its stream's next".into()));
            }
            if !belongs(&recorded) {
                return Err(fault("the event does not belong to its kind of stream".into()));
            }
            take(recorded)?;
        }
        Ok(())
    }
}

fn belongs(recorded: &Recorded) -> bool {
    use domain::event::Event;
    matches!(
        (&recorded.event, recorded.stream),
        (Event::Case(_), StreamId::Case(_))
            | (Event::Account(_), StreamId::Account(_))
            | (Event::Deposit(_), StreamId::Deposit(_))
            | (Event::Firm(_), StreamId::Firm)
            | (Event::Look(_), StreamId::Looks(_))
    )
}
