//! What holds between events whatever they tell: ids are given once, a request stands in one piece, what led
//! to an event came before it.

use uuid::Uuid;

use crate::envelope::Envelope;

/// The request whose events are being read.
struct Open {
    request: Uuid,
    actor: String,
    access: Option<Uuid>,
    recorded_at: i64,
    /// Its events so far.
    events: Vec<Uuid>,
}

/// An event that names another one as its cause which its request does not have before it.
struct Caused {
    row: u64,
    position: u64,
    by: Uuid,
}

/// What was read so far. It keeps 16 bytes an event and 16 a request.
#[derive(Default)]
pub(super) struct Order {
    events: Vec<u128>,
    requests: Vec<u128>,
    open: Option<Open>,
    unfound: Vec<Caused>,
    latest: Option<i64>,
}

/// What came of one event.
#[derive(Default)]
pub(super) struct Looked {
    /// What contradicts the format.
    pub(super) wrong: Vec<String>,
    /// What an older version let happen: the clock ran back.
    pub(super) runs_back: bool,
}

/// Something that is known only after the last event: the row and position, if it has them, and what.
pub(super) type Late = (Option<u64>, Option<u64>, String);

impl Order {
    /// Takes the next event.
    pub(super) fn take(&mut self, envelope: &Envelope<'_>, row: u64) -> Looked {
        let mut looked = Looked::default();
        let id = |text: &str| Uuid::try_parse(text).ok();
        let (Some(event), Some(request)) = (id(envelope.event_id), id(envelope.request_id)) else {
            // That it is no UUID is found where the event is decoded.
            return looked;
        };
        let recorded_at = envelope.recorded_at;
        looked.runs_back = self.latest.is_some_and(|latest| recorded_at < latest);
        self.latest = self.latest.max(Some(recorded_at));
        self.events.push(event.as_u128());
        let access = envelope.access.and_then(id);
        let open = match &mut self.open {
            Some(open) if open.request == request => {
                if (open.actor.as_str(), open.recorded_at, open.access)
                    != (envelope.actor, recorded_at, access)
                {
                    let what = "its request's events before it have another actor or time";
                    looked.wrong.push(what.into());
                }
                open
            }
            Some(_) | None => {
                self.requests.push(request.as_u128());
                let (actor, events) = (envelope.actor.to_owned(), Vec::new());
                self.open.insert(Open { request, actor, access, recorded_at, events })
            }
        };
        if let Some(by) = envelope.causation.and_then(id)
            && !open.events.contains(&by)
        {
            self.unfound.push(Caused { row, position: envelope.position, by });
        }
        open.events.push(event);
        looked
    }

    /// What is left to say. In a part of a log the event that led to another may be left out.
    pub(super) fn finish(mut self, is_whole: bool) -> Vec<Late> {
        let mut late = Vec::new();
        for (what, ids) in [
            ("two events have the id", &mut self.events),
            ("events of other requests stand between those of request", &mut self.requests),
        ] {
            ids.sort_unstable();
            let mut told = None;
            for pair in ids.windows(2).filter(|pair| pair[0] == pair[1]) {
                if told != Some(pair[0]) {
                    late.push((None, None, format!("{what} {}", Uuid::from_u128(pair[0]))));
                }
                told = Some(pair[0]);
            }
        }
        for Caused { row, position, by } in self.unfound {
            let is_here = self.events.binary_search(&by.as_u128()).is_ok();
            if is_here || is_whole {
                let what = format!("event {by}, which led to it, is none before it of its request");
                late.push((Some(row), Some(position), what));
            }
        }
        late
    }
}
