//! Carrying what the firm tells of plans, packs, registrations and bonds to the fees that were claimed of its clients.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use api::Paired;
use api::requests::{self, ReviewAsked};
use api::scalar::{int32, int64, minor_message};
use api::status::Failure;
use api::{name, v1};
use calendar::CivilDate;
use domain::command::{Command, Dated, FirmAction};
use domain::event::{CaseEvent, ExposureKind, FeeMarked, FeesReviewed, StreamId};
use domain::firm::{Firm, Unknown};
use domain::ids::{CaseId, FirmId, RequestId, StateCode};
use domain::judge::{EDITION, Judge, Matter};
use log::{Submission, SubmitError};
use store::InvoiceFilter;

use super::matter::Matters;
use crate::access::{Authority, fingerprint};
use crate::ledger::{InFlight, Ledger, as_case, one_firm};
use crate::present::{amount, fee, reference};
use crate::reading::{LAST, View, following};

/// Cases folded at a time.
const CASES_FOLDED: u32 = 100;
/// Most fees that are listed in the answer.
const FEES_LISTED_MAX: usize = 500;
/// How often a review that the firm's own facts overtook is made again.
const TRIES: usize = 5;

/// What the request ids are made as.
const CASE: &str = "review of a case";
const DONE: &str = "review";

pub(super) async fn review_fees(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::ReviewFeesRequest,
) -> Result<v1::ReviewFeesResponse, Failure> {
    ledger.check_name(authority, &message.parent).await?;
    let ReviewAsked { firm, request_id, record } = requests::review_fees(message)?;
    let mut review = Review::read(ledger, authority, firm).await?;
    review.look_at_who_is_served().await?;
    if !record {
        return Ok(review.message(review.position, record));
    }
    review.record_cases(request_id).await?;
    let position = review.note(request_id).await?;
    Ok(review.message(position, record))
}

/// Called before anything is asked of clients: no fee is asked for while others wait to be judged again. A review
/// that would change nothing is noted by itself.
pub(crate) async fn before_asking(
    ledger: &Ledger,
    authority: &Authority,
    firm: FirmId,
) -> Result<(), Failure> {
    for _ in 0..TRIES {
        if !folded(ledger, authority, firm).await?.review_is_due() {
            return Ok(());
        }
        let review = Review::until_changed(ledger, authority, firm).await?;
        if review.changes_fees() {
            return Err(Failure::Unready {
                reason: "REVIEW_DUE",
                what: "the firm told something that claimed fees are judged by, and some are not what they were \
                       any more: see them with ReviewFees, and have an administrator record it",
            });
        }
        let own = ledger.engine().own_requests(firm).await?;
        let at = review.of.law_at.to_be_bytes();
        match review.note(own.id(DONE, &[&at, &EDITION.to_be_bytes()])).await {
            Ok(_) => return Ok(()),
            // The firm told something meanwhile.
            Err(Failure::Refused(_) | Failure::Before { .. }) => {}
            Err(failure) => return Err(failure),
        }
    }
    Err(Failure::Overtaken {
        reason: "REVIEW_OVERTAKEN",
        what: "the firm told something more while its fees were judged",
    })
}

/// What every answer and page says that shows what is owed, held or exposed, while a review is due.
const DUE: &str = "A review of claimed fees is due: until it is recorded nothing is asked of clients, and what is owed, held and \
                   exposed here may come to be otherwise by it.";

/// That sentence while a review is due of fees that were claimed, else nothing.
pub(crate) fn said_of_review(firm: &Firm, is_claimed: bool) -> String {
    let is_due = is_claimed && firm.review_is_due();
    if is_due { DUE.to_owned() } else { String::new() }
}

/// The same of all fees of a firm, where an answer was read: without an invoice none was claimed.
pub(crate) async fn review_due(
    view: &View<'_>,
    firm: FirmId,
    position: u64,
) -> Result<String, Failure> {
    // As the firm stands in the log: what is kept of it in memory may not know of the last review yet.
    let state = one_firm(view.states_at(firm, &[StreamId::Firm], position).await?)?;
    if !state.review_is_due() {
        return Ok(String::new());
    }
    let one = view.store().list_invoices(firm, InvoiceFilter::default(), 0, 1).await?;
    Ok(said_of_review(&state, !one.rows.is_empty()))
}

/// Whether a review is due that would change what claimed fees are.
pub(crate) async fn would_change(
    ledger: &Ledger,
    authority: &Authority,
    firm: FirmId,
) -> Result<bool, Failure> {
    Ok(folded(ledger, authority, firm).await?.review_is_due()
        && Review::until_changed(ledger, authority, firm).await?.changes_fees())
}

/// The firm at the end of the log.
async fn folded(
    ledger: &Ledger,
    authority: &Authority,
    firm: FirmId,
) -> Result<Arc<Firm>, Failure> {
    let view = View::of_primary(ledger, authority);
    let (_, mut states) = view.states(firm, &[StreamId::Firm], 0).await?;
    one_firm(states.pop())
}

/// A client whose claimed fees are not as they were marked last, or for whom something was against a law that nobody knew of.
struct Changed {
    case: CaseId,
    marks: Vec<FeeMarked>,
    against_law: AgainstLaw,
}

/// What was against the law of a state and nobody has been told.
#[derive(Clone, Copy, Default)]
struct AgainstLaw {
    signings: usize,
    /// Pieces of work on days without what has to be on file.
    work: usize,
}

impl AgainstLaw {
    fn of(judge: &Judge<'_>) -> Self {
        let mut found = Self::default();
        for (_, event) in judge.case().untold_by_law(judge) {
            if let CaseEvent::ExposureFound(of) = event {
                let work = of.kind == ExposureKind::WorkUnsecured;
                *(if work { &mut found.work } else { &mut found.signings }) += 1;
            }
        }
        found
    }

    const fn is_empty(self) -> bool {
        self.signings == 0 && self.work == 0
    }
}

struct Review<'a> {
    view: View<'a>,
    authority: &'a Authority,
    firm: FirmId,
    of: Arc<Firm>,
    changed: Vec<Changed>,
    /// Cases of which a fee was claimed.
    claimed: BTreeSet<CaseId>,
    unknown: BTreeMap<StateCode, UnknownLaw>,
    position: u64,
}

/// A state whose law is not known, and why.
#[derive(Default)]
struct UnknownLaw {
    clients: usize,
    reasons: BTreeSet<Unknown>,
}

impl UnknownLaw {
    /// What helps, each way once.
    fn ways_out(&self) -> Vec<String> {
        let ways: BTreeSet<&str> = self.reasons.iter().map(Unknown::way_out).collect();
        ways.into_iter().map(str::to_owned).collect()
    }
}

impl<'a> Review<'a> {
    /// A review that has judged nobody yet, of the firm as it stands now.
    async fn begin(
        ledger: &'a Ledger,
        authority: &'a Authority,
        firm: FirmId,
    ) -> Result<Self, Failure> {
        let view = View::of_primary(ledger, authority);
        let (position, states) = view.states(firm, &[StreamId::Firm], 0).await?;
        let of = one_firm(states)?;
        ledger.read_at(firm, position).await?;
        let (changed, claimed, unknown) = (Vec::new(), BTreeSet::new(), BTreeMap::new());
        Ok(Self { view, authority, firm, of, changed, claimed, unknown, position })
    }

    async fn read(
        ledger: &'a Ledger,
        authority: &'a Authority,
        firm: FirmId,
    ) -> Result<Self, Failure> {
        let mut review = Self::begin(ledger, authority, firm).await?;
        while review.judge_more().await? {}
        Ok(review)
    }

    /// As far as the first client whose fees change, if there is one.
    async fn until_changed(
        ledger: &'a Ledger,
        authority: &'a Authority,
        firm: FirmId,
    ) -> Result<Self, Failure> {
        let mut review = Self::begin(ledger, authority, firm).await?;
        while !review.changes_fees() && review.judge_more().await? {}
        Ok(review)
    }

    /// Judges the claimed fees of some more clients, in the order of their ids; whether there were any. What is concluded of them
    /// where it differs is kept, and what is not known of the law that they are served under.
    async fn judge_more(&mut self) -> Result<bool, Failure> {
        let after = self.claimed.last().copied();
        let store = self.view.store();
        let cases = store.cases_with_fees(self.firm, after, CASES_FOLDED).await?.rows;
        // All on what the review began with.
        let matters =
            Matters::read(&self.view, self.firm, cases.iter().copied(), self.position).await?;
        for of in matters.each() {
            let judge = of.judge();
            let marks = judge.marks().collect();
            let against_law = AgainstLaw::of(&judge);
            self.note_unknown(judge.unknown_law());
            self.note_changed(Changed { case: of.id, marks, against_law });
        }
        self.claimed.extend(&cases);
        Ok(!cases.is_empty())
    }

    fn today(&self) -> CivilDate {
        self.view.ledger().today(&self.of)
    }

    fn changes_fees(&self) -> bool {
        self.changed.iter().any(|changed| !changed.marks.is_empty())
    }

    fn note_changed(&mut self, changed: Changed) {
        if !changed.marks.is_empty() || !changed.against_law.is_empty() {
            self.changed.push(changed);
        }
    }

    /// Clients of whom nothing was claimed yet: what is not known of their law is told before it holds a fee.
    async fn look_at_who_is_served(&mut self) -> Result<(), Failure> {
        let mut after = None;
        loop {
            let (from, store) = (following(after), self.view.store());
            let ids = store.case_ids(self.firm, from, LAST, CASES_FOLDED).await?.rows;
            let Some(last) = ids.last() else { return Ok(()) };
            after = Some(*last);
            let others = ids.into_iter().filter(|id| !self.claimed.contains(id));
            let others: Vec<CaseId> = others.collect();
            let streams: Vec<StreamId> = others.iter().copied().map(StreamId::Case).collect();
            let states = self.view.states_at(self.firm, &streams, self.position).await?;
            for (id, state) in others.into_iter().zip(states) {
                let Some(case) = as_case(state) else { continue };
                if !case.is_over() {
                    let unknown = self.of.unknown_law(&case, self.today());
                    let of_states = unknown
                        .into_iter()
                        .filter_map(|reason| Some((self.of.state_of(&reason)?, reason)));
                    let mut unknown: BTreeMap<StateCode, BTreeSet<Unknown>> = BTreeMap::new();
                    of_states.for_each(|(state, reason)| {
                        unknown.entry(state).or_default().insert(reason);
                    });
                    self.note_unknown(unknown);
                }
                let (firm, today) = (&self.of, self.today());
                let judge = Judge::of(Matter { id, case: &case, accounts: &[], firm, today });
                let against_law = AgainstLaw::of(&judge);
                self.note_changed(Changed { case: id, marks: Vec::new(), against_law });
            }
        }
    }

    fn note_unknown(&mut self, unknown: BTreeMap<StateCode, BTreeSet<Unknown>>) {
        for (state, reasons) in unknown {
            let known = self.unknown.entry(state).or_default();
            known.clients += 1;
            known.reasons.extend(reasons);
        }
    }

    /// Marks what changed, one request for each client.
    async fn record_cases(&self, request: RequestId) -> Result<(), Failure> {
        let engine = self.view.ledger().engine();
        let own = engine.own_requests(self.firm).await?;
        let mut in_flight = InFlight::new();
        for changed in &self.changed {
            let parts: [&[u8]; 2] = [request.0.as_bytes(), changed.case.0.as_bytes()];
            let command = Command::Review { case: changed.case };
            let submission = self.submission(own.id(CASE, &parts), (CASE, &parts), command);
            let pending = engine.enqueue(self.firm, submission).await?;
            if let Some((_, answer)) = in_flight.add(changed.case, pending).await {
                answer?;
            }
        }
        while let Some((_, answer)) = in_flight.next().await {
            answer?;
        }
        Ok(())
    }

    /// Notes that all claimed fees were judged again; the position of the last event.
    async fn note(&self, request_id: RequestId) -> Result<u64, Failure> {
        let marked = self.changed.iter().map(|changed| changed.marks.len()).sum::<usize>();
        let reviewed = FeesReviewed {
            edition: EDITION,
            marked: u32::try_from(marked).unwrap_or(u32::MAX),
            through: self.of.law_at,
        };
        let occurred_on = self.today();
        let action =
            Dated { occurred_at: None, occurred_on, action: FirmAction::NoteReview(reviewed) };
        let parts: [&[u8]; 1] = [request_id.0.as_bytes()];
        let submission = self.submission(request_id, (DONE, &parts), Command::Firm { action });
        let pending = self.view.ledger().engine().enqueue(self.firm, submission).await?;
        let answer = pending.await.unwrap_or(Err(SubmitError::OutcomeUnknown))?;
        Ok(answer.position)
    }

    fn submission(
        &self,
        request_id: RequestId,
        (kind, parts): (&str, &[&[u8]]),
        command: Command,
    ) -> Submission {
        Submission {
            request_id,
            fingerprint: fingerprint(kind, parts),
            author: self.authority.author(),
            command,
        }
    }

    fn marks_of_all(&self) -> impl Iterator<Item = (CaseId, &FeeMarked)> {
        self.changed.iter().flat_map(|of| of.marks.iter().map(|mark| (of.case, mark)))
    }

    fn against_law(&self, count: fn(&AgainstLaw) -> usize) -> i32 {
        int32(self.changed.iter().map(|changed| count(&changed.against_law)).sum::<usize>())
    }

    fn message(&self, position: u64, recorded: bool) -> v1::ReviewFeesResponse {
        let currency = self.of.registered.as_ref().map(|firm| firm.currency);
        let sum = |change: fn(&FeeMarked) -> i64| {
            let minor = self.marks_of_all().map(|(_, mark)| change(mark)).sum();
            currency.map(|currency| minor_message(minor, currency))
        };
        let fees = self.marks_of_all().take(FEES_LISTED_MAX);
        v1::ReviewFeesResponse {
            position: int64(position),
            fees_changed: int32(self.marks_of_all().count()),
            cases: int32(self.changed.iter().filter(|changed| !changed.marks.is_empty()).count()),
            owed_change: sum(|mark| mark.owed.minor() - mark.owed_before.minor()),
            open_change: sum(|mark| mark.open.minor() - mark.open_before.minor()),
            fees: fees.map(|(case, mark)| self.fee(case, mark)).collect(),
            recorded,
            signings_against_law: self.against_law(|of| of.signings),
            work_unsecured: self.against_law(|of| of.work),
            was_due: self.of.review_is_due(),
            unknown_states: self
                .unknown
                .iter()
                .map(|(state, law)| v1::UnknownState {
                    state_code: state.to_string(),
                    clients: int32(law.clients),
                    reasons: law.reasons.iter().map(ToString::to_string).collect(),
                    ways_out: law.ways_out(),
                })
                .collect(),
        }
    }

    fn fee(&self, case: CaseId, mark: &FeeMarked) -> v1::ReviewedFee {
        let invoice = mark.invoice.map(|number| name::invoice(self.firm, number));
        v1::ReviewedFee {
            case: name::case(self.firm, case),
            fee: Some(reference(&mark.fee)),
            invoice: invoice.unwrap_or_default(),
            standing: fee::standing(mark.standing, mark.exposed).into(),
            exposed: amount(mark.exposed),
            owed: amount(mark.owed),
            open: amount(mark.open),
            kept: mark.kept.and_then(amount),
            gates: mark.gates.iter().map(|&gate| v1::Gate::from_domain(gate).into()).collect(),
        }
    }
}
