//! Whose personal values were opened for whom: on record before they are shown.
//!
//! Once for each reader, client and civil day: a CRM reads all day, and whoever is asked who saw a client's
//! name needs the day and the reader, not each glance. What an examiner asks for is on record each
//! time besides (`front`), and so is every export.

use std::collections::{BTreeSet, HashMap, HashSet};

use api::status::Failure;
use calendar::CivilDate;
use domain::event::{LookKind, StreamId};
use domain::ids::{CaseId, FirmId, RequestId};
use domain::sealing::person_of;
use log::OwnRequests;

use crate::access::Authority;
use crate::ledger::Ledger;
use crate::reading::Reader;

/// Most clients whose looks are one append.
pub(crate) const CASES_PER_APPEND: usize = 500;
/// Most openings that a process remembers. When there are more it forgets them all, and puts on record
/// once more what it meets again.
const OPENINGS_MAX: usize = 200_000;

/// Who asks to see personal values, and by what.
#[derive(Clone, Copy)]
pub(crate) struct Look<'a> {
    pub(crate) authority: &'a Authority,
    /// The RPC's name.
    pub(crate) what: &'static str,
    /// Whether they may be shown.
    pub(crate) may_see: bool,
}

impl<'a> Look<'a> {
    /// At what clients are called, and how they are reached.
    pub(crate) fn at_clients(authority: &'a Authority, what: &'static str) -> Self {
        Self { authority, what, may_see: authority.may_see_clients() }
    }

    /// At a scan or letter.
    pub(crate) const fn at_document(authority: &'a Authority) -> Self {
        Self { authority, what: "Download", may_see: true }
    }

    /// At the card on file.
    pub(crate) fn at_cards(authority: &'a Authority, what: &'static str) -> Self {
        Self { authority, what, may_see: authority.may_see_cards() }
    }
}

/// The clients of streams.
pub(crate) fn clients_of(streams: impl IntoIterator<Item = StreamId>) -> BTreeSet<CaseId> {
    streams.into_iter().filter_map(person_of).map(CaseId).collect()
}

/// One and the same for the same clients on the same day, whichever process opens them: those of one command
/// each that people run all day, and servers side by side.
fn request_of(
    own: &OwnRequests,
    reader: Reader,
    today: CivilDate,
    clients: &[CaseId],
) -> RequestId {
    let mut parts = vec![reader.bytes(), today.to_string().into_bytes()];
    parts.extend(clients.iter().map(|client| client.0.as_bytes().to_vec()));
    let parts: Vec<&[u8]> = parts.iter().map(Vec::as_slice).collect();
    own.id("opening", &parts)
}

/// What is on record already, of the day on which each reader read last.
#[derive(Debug, Default)]
pub(crate) struct Openings {
    by_reader: HashMap<(FirmId, Reader), (CivilDate, HashSet<CaseId>)>,
    count: usize,
}

impl Openings {
    /// Those of some clients who are not on record yet.
    fn unrecorded(
        &self,
        reader: (FirmId, Reader),
        today: CivilDate,
        clients: BTreeSet<CaseId>,
    ) -> Vec<CaseId> {
        let known = self.by_reader.get(&reader).filter(|(day, _)| *day == today);
        let is_new = |client: &CaseId| known.is_none_or(|(_, known)| !known.contains(client));
        clients.into_iter().filter(is_new).collect()
    }

    fn record(&mut self, reader: (FirmId, Reader), today: CivilDate, clients: &[CaseId]) {
        if self.count + clients.len() > OPENINGS_MAX {
            self.by_reader.clear();
            self.count = 0;
        }
        let (day, known) = self.by_reader.entry(reader).or_default();
        if *day != today {
            self.count -= known.len();
            (*day, *known) = (today, HashSet::new());
        }
        let before = known.len();
        known.extend(clients);
        self.count += known.len() - before;
    }
}

impl Ledger {
    /// Puts on record that clients' personal values are opened, unless it is for this reader and today.
    /// What cannot be put on record must not be shown.
    pub(crate) async fn note_openings(
        &self,
        look: Look<'_>,
        firm: FirmId,
        clients: BTreeSet<CaseId>,
    ) -> Result<(), Failure> {
        if clients.is_empty() {
            return Ok(());
        }
        let today = self.today(&*self.firms().get(firm).await?);
        let reader = (firm, Reader::of(look.authority));
        let clients = self.openings().unrecorded(reader, today, clients);
        if clients.is_empty() {
            return Ok(());
        }
        let own = self.engine().own_requests(firm).await?;
        for some in clients.chunks(CASES_PER_APPEND) {
            let cases = some.iter().copied().collect();
            let once = (firm, request_of(&own, reader.1, today, some));
            self.note_look_once(look.authority, once, LookKind::Open, look.what, cases).await?;
            self.openings().record(reader, today, some);
        }
        Ok(())
    }
}

/// Clients that are indexed before one search, and in one sweep.
const INDEXED_AT_ONCE: usize = 2_000;

impl Ledger {
    /// Fills in what clients of an earlier version are found by. Their names are opened to be hashed and
    /// shown to nobody; that it happened is on record.
    pub(crate) async fn index_people(&self, firm: FirmId) -> Result<(), Failure> {
        if self.store().incomplete(firm, 1).await?.is_empty() {
            return Ok(());
        }
        let by = Authority::Schedule;
        self.note_look(&by, firm, LookKind::Open, "IndexPeople", BTreeSet::new()).await?;
        let indexed = self.engine().index_people(firm, INDEXED_AT_ONCE).await?;
        tracing::info!(%firm, indexed, "clients of an earlier version are found by their names now");
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use uuid::Uuid;

    const READER: (FirmId, Reader) = (FirmId(Uuid::nil()), Reader::PROCESS);

    fn clients(numbers: std::ops::Range<usize>) -> BTreeSet<CaseId> {
        numbers.map(|n| CaseId(Uuid::from_u128(u128::try_from(n).unwrap()))).collect()
    }

    fn unrecorded(openings: &Openings, day: &str, of: std::ops::Range<usize>) -> usize {
        openings.unrecorded(READER, day.parse().unwrap(), clients(of)).len()
    }

    fn record(openings: &mut Openings, day: &str, of: std::ops::Range<usize>) {
        let clients: Vec<CaseId> = clients(of).into_iter().collect();
        openings.record(READER, day.parse().unwrap(), &clients);
    }

    #[test]
    fn a_client_is_recorded_once_a_day() {
        let mut openings = Openings::default();
        record(&mut openings, "2026-03-02", 0..3);
        assert_eq!(unrecorded(&openings, "2026-03-02", 0..5), 2);
        record(&mut openings, "2026-03-02", 3..5);
        assert_eq!(unrecorded(&openings, "2026-03-02", 0..5), 0);
        assert_eq!(unrecorded(&openings, "2026-03-03", 0..5), 5);
        record(&mut openings, "2026-03-03", 0..1);
        assert_eq!((unrecorded(&openings, "2026-03-03", 0..5), openings.count), (4, 1));
    }

    #[test]
    fn what_is_remembered_is_bounded() {
        let mut openings = Openings::default();
        record(&mut openings, "2026-03-02", 0..OPENINGS_MAX);
        record(&mut openings, "2026-03-02", OPENINGS_MAX..OPENINGS_MAX + 1);
        assert_eq!(openings.count, 1);
        assert_eq!(unrecorded(&openings, "2026-03-02", 0..2), 2, "on record once more");
    }
}
