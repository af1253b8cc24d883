//! The first pass, as the exporter and the verifier share it: each event is placed, its line kept for
//! the second pass, and its row of the timeline handed on.

use std::io;

use domain::event::StreamId;
use proof::Hash;

use crate::derive::timeline_row;
use crate::envelope::Envelope;
use crate::gather::Gather;
use crate::manifest::Format;
use crate::openings::Openings;
use crate::outlet::Outlet;
use crate::spool::Spool;
use crate::tables::at;

/// Bytes of timeline gathered before they are handed on.
const TIMELINE_BYTES: usize = 64 << 10;

/// Takes events in the order of the log.
pub(crate) struct Intake<O> {
    pub(crate) gather: Gather,
    lines: Spool,
    outlet: O,
    timeline: String,
    format: Format,
}

impl<O: Outlet> Intake<O> {
    /// Rows are written as the format has them.
    pub(crate) fn new(gather: Gather, lines: Spool, outlet: O, format: Format) -> Self {
        Self { gather, lines, outlet, timeline: String::new(), format }
    }

    /// Places the next event, whose line has so many bytes. What comes back is wrong with it: a caller
    /// who goes on all the same keeps it next.
    pub(crate) fn take(
        &mut self,
        envelope: &Envelope<'_>,
        stream: StreamId,
        length: usize,
        openings: &Openings,
    ) -> Vec<String> {
        self.gather.take(envelope, stream, self.lines.length(), length, openings)
    }

    /// Keeps the line of the event just taken, and adds its row to the timeline.
    pub(crate) fn keep(
        &mut self,
        envelope: &Envelope<'_>,
        line: &[u8],
        leaf: &Hash,
    ) -> io::Result<()> {
        self.lines.add(line)?;
        self.lines.add(b"\n")?;
        timeline_row(envelope, leaf, self.format, &mut self.timeline);
        if self.timeline.len() >= TIMELINE_BYTES {
            self.outlet.table(at::TIMELINE, &self.timeline)?;
            self.timeline.clear();
        }
        Ok(())
    }

    /// Hands on the rest of the timeline, and gives back what the events were taken into.
    pub(crate) fn finish(mut self) -> io::Result<(Gather, Spool, O)> {
        self.outlet.table(at::TIMELINE, &self.timeline)?;
        Ok((self.gather, self.lines, self.outlet))
    }
}
