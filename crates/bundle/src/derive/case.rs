//! Papers, letters, clocks and exposures of a case.

use std::collections::{BTreeMap, BTreeSet};

use domain::case::{FeeMark, KeptFee, Mark};
use domain::event::{
    AccountEvent, CaseEvent, ConsentSigned, DisclosureAcknowledged, Event, ExposureKind, Recorded,
    ResponseReceived, RoundSent, UnearnedPaymentFound,
};
use domain::ids::{BureauCode, ProcessorRef};
use domain::money::Money;

use super::{Rows, Told};
use crate::csv::{Row, list};
use crate::tables::at;

/// An event of the case and what it is, as it is in force.
pub(super) fn events<'a>(
    told: &Told<'a>,
) -> impl Iterator<Item = (&'a Recorded, &'a CaseEvent)> + use<'a> {
    told.in_force.iter().filter_map(|recorded| match &recorded.event {
        Event::Case(event) => Some((recorded, event)),
        Event::Account(_) | Event::Deposit(_) | Event::Firm(_) | Event::Look(_) => None,
    })
}

/// An agreement with its cancellation.
pub(super) struct Contract<'a> {
    pub(super) recorded: &'a Recorded,
    pub(super) signed: &'a ConsentSigned,
    pub(super) cancelled: Option<(&'a Recorded, calendar::CivilDate)>,
}

/// The agreements, oldest first.
pub(super) fn contracts<'a>(told: &Told<'a>) -> Vec<Contract<'a>> {
    let mut contracts: Vec<Contract<'_>> = Vec::new();
    for (recorded, event) in events(told) {
        if let CaseEvent::ConsentSigned(signed) = event {
            contracts.push(Contract { recorded, signed, cancelled: None });
        }
    }
    for (recorded, event) in events(told) {
        let CaseEvent::ConsentCancelled(e) = event else { continue };
        let undoes = |contract: &&mut Contract<'_>| {
            let days = contract.recorded.occurred_on..=contract.signed.cancel_through;
            days.contains(&e.sent_on)
        };
        let before = |contract: &&mut Contract<'_>| contract.recorded.position < recorded.position;
        let cancelled = Some((recorded, e.sent_on));
        if told.frame.format.judges_fees() {
            contracts.iter_mut().filter(undoes).for_each(|contract| contract.cancelled = cancelled);
        } else if let Some(latest) = contracts.iter_mut().rfind(before) {
            latest.cancelled = cancelled;
        }
    }
    contracts
}

/// The acknowledgement of the disclosure: of the earliest day; in earlier editions the one recorded first.
pub(super) fn acknowledged<'a>(
    told: &Told<'a>,
) -> Option<(&'a Recorded, &'a DisclosureAcknowledged)> {
    let mut acknowledged = events(told).filter_map(|(recorded, event)| {
        let CaseEvent::DisclosureAcknowledged(e) = event else { return None };
        Some((recorded, e))
    });
    if told.frame.format.judges_fees() {
        acknowledged.min_by_key(|(recorded, _)| (recorded.occurred_on, recorded.position))
    } else {
        acknowledged.next()
    }
}

/// The first service of the case, a letter to a bureau or a request to one: the earliest day, and on one day the
/// first recorded.
pub(super) fn first_work<'t>(told: &'t Told<'_>) -> Option<&'t Mark> {
    let rounds = told.case.rounds.iter().map(|round| &round.mark);
    let asked = told.case.asked.iter().map(|asked| &asked.moment.mark);
    rounds.chain(asked).min_by_key(|mark| (mark.on, mark.at.position))
}

fn marked<'a>(row: Row<'a>, mark: Option<&Mark>) -> Row<'a> {
    row.maybe(mark.map(|mark| mark.on)).maybe(mark.map(|mark| mark.at.position))
}

/// The columns of an agreement, empty where there is none.
const CONTRACT_COLUMNS: usize = 12;

fn begin<'a>(told: &Told<'_>, out: &'a mut String) -> Row<'a> {
    let enrolment = told.case.enrolment.as_ref();
    let row = Row::begin(out, told.frame.format).plain(told.id);
    let row = marked(row, enrolment.map(|e| &e.mark)).maybe(enrolment.map(|e| e.sale.channel));
    let row = marked(row, told.case.disclosure_delivered());
    let acknowledged = acknowledged(told);
    row.maybe(acknowledged.map(|(recorded, _)| recorded.occurred_on))
        .maybe(acknowledged.map(|(recorded, _)| recorded.position))
        .maybe(acknowledged.and_then(|(_, e)| e.document))
}

pub(super) fn papers(told: &Told<'_>, rows: &mut Rows) {
    let out = &mut rows.tables[at::PAPERS];
    let first = first_work(told);
    let contracts = contracts(told);
    if contracts.is_empty() {
        let row = (0..CONTRACT_COLUMNS).fold(begin(told, out), |row, _| row.empty());
        marked(row, first).end();
    }
    for contract in contracts {
        let signed = contract.signed;
        let row = begin(told, out)
            .plain(contract.recorded.occurred_on)
            .plain(contract.recorded.position)
            .maybe(signed.document)
            .plain(signed.state)
            .yes_or_no(signed.copies_given)
            .yes_or_no(signed.e_sign_consent)
            .money(signed.total_of_payments)
            .plain(signed.cancel_through)
            .plain(signed.service_from)
            .maybe(contract.cancelled.map(|(_, sent_on)| sent_on))
            .maybe(contract.cancelled.map(|(recorded, _)| recorded.position));
        marked(row, first).end();
    }
}

pub(super) fn letters(told: &Told<'_>, rows: &mut Rows) {
    let out = &mut rows.tables[at::ROUNDS_AND_LETTERS];
    for (recorded, event) in events(told) {
        let CaseEvent::RoundSent(round) = event else { continue };
        letters_of(told, recorded, round, out);
    }
}

fn letters_of(told: &Told<'_>, recorded: &Recorded, round: &RoundSent, out: &mut String) {
    for letter in &round.letters {
        let state = told.case.letter(round.round, &letter.bureau).map(|(_, letter)| letter);
        let row = Row::begin(out, told.frame.format)
            .plain(told.id)
            .plain(round.round)
            .plain(recorded.occurred_on)
            .plain(recorded.position)
            .plain(&letter.bureau)
            .plain(letter.mail_class)
            .maybe(letter.tracking.as_ref())
            .text(&list(&letter.items))
            .maybe(letter.document)
            .plain(round.contact.position);
        let row = marked(row, state.and_then(|letter| letter.delivery()));
        marked(row, state.and_then(|letter| letter.extension())).end();
    }
}

/// The bureaus' answers by letter, in the order recorded.
pub(super) fn answers<'a>(
    told: &Told<'a>,
) -> BTreeMap<(u32, &'a BureauCode), Vec<(&'a Recorded, &'a ResponseReceived)>> {
    let mut answers: BTreeMap<_, Vec<_>> = BTreeMap::new();
    for (recorded, event) in events(told) {
        if let CaseEvent::ResponseReceived(e) = event {
            answers.entry((e.round, &e.bureau)).or_default().push((recorded, e));
        }
    }
    answers
}

pub(super) fn clocks(told: &Told<'_>, rows: &mut Rows) {
    let out = &mut rows.tables[at::RESPONSES_AND_CLOCKS];
    let answers = answers(told);
    for clock in told.case.clocks(told.firm.transit_days()) {
        let answered = clock.round.and_then(|round| answers.get(&(round, &clock.bureau)));
        let answered = answered.map_or(&[][..], Vec::as_slice);
        let outcomes = answered.iter().flat_map(|(_, e)| &e.outcomes);
        let outcomes = outcomes.map(|o| format!("{}={}", o.item, o.outcome));
        Row::begin(out, rows.format)
            .plain(told.id)
            .plain(&clock.bureau)
            .plain(clock.clock.as_code())
            .text(clock.clock.citation())
            .maybe(clock.round)
            .maybe(clock.item.as_ref())
            .plain(clock.started_on)
            .yes_or_no(clock.estimated)
            .plain(clock.due_on)
            .maybe(clock.done_on)
            .plain(list(answered.iter().map(|(recorded, _)| recorded.position)))
            .text(&list(outcomes))
            .end();
    }
}

/// The positions of the exposures that still stand.
pub(super) fn standing(told: &Told<'_>) -> BTreeSet<u64> {
    told.case.standing_exposures().map(|seen| seen.mark.at.position).collect()
}

/// The claimed fees of which a part is exposed as they were marked last, in the order claimed.
fn exposed_fees<'t>(told: &'t Told<'_>) -> impl Iterator<Item = &'t FeeMark> {
    let marks = told.case.marks.values().map(AsRef::as_ref);
    marks.filter(|marked| told.frame.format.judges_fees() && marked.said.exposed.is_positive())
}

/// A decision of counsel to keep what was collected of a fee, among what a firm is exposed by.
const KEPT: &str = "fee_kept";

/// A payment that no earned fee stood behind.
pub(super) struct Unearned<'t> {
    /// The event that found it last.
    pub(super) recorded: &'t Recorded,
    /// What it says.
    pub(super) found: &'t UnearnedPaymentFound,
    /// The most that it was by what was told since.
    pub(super) amount: Money,
}

/// The payments of an account that no earned fee stood behind, as they were found last. What was found of one by the order of
/// telling, and is paid lawfully by the days, is none.
pub(super) fn unearned<'t>(told: &Told<'_>, own_account: &'t [Recorded]) -> Vec<Unearned<'t>> {
    let account = told.accounts.get(&told.id.own_account());
    let mut last: BTreeMap<&ProcessorRef, Unearned<'t>> = BTreeMap::new();
    for recorded in own_account {
        if let Event::Account(AccountEvent::UnearnedPaymentFound(found)) = &recorded.event {
            let payment = account.and_then(|account| account.payments.get(&found.payment));
            let amount = payment.map(|payment| payment.unearned).filter(|most| most.is_positive());
            match amount {
                Some(amount) => {
                    last.insert(&found.payment, Unearned { recorded, found, amount });
                }
                None => {
                    last.remove(&found.payment);
                }
            }
        }
    }
    let mut found: Vec<Unearned<'t>> = last.into_values().collect();
    found.sort_by_key(|of| of.recorded.position);
    found
}

/// What the case and its own account are exposed by.
pub(super) fn exposures(told: &Told<'_>, own_account: &[Recorded], rows: &mut Rows) {
    let out = &mut rows.tables[at::EXPOSURES];
    let standing = standing(told);
    for seen in &told.case.exposures {
        let (found, mark) = (&seen.found, &seen.mark);
        let stands = if standing.contains(&mark.at.position) { "yes" } else { "no" };
        Row::begin(out, rows.format)
            .plain(mark.at.position)
            .plain(mark.on)
            .plain(told.id)
            .empty()
            .plain(found.kind)
            .text(found.cites.as_str())
            .maybe(found.period)
            .empty()
            .money(found.amount)
            // Another edition of the rules put other things right.
            .maybe(Some(stands).filter(|_| rows.format.judges_fees()))
            .end();
    }
    // Another edition of the rules marked other fees.
    for FeeMark { mark, said, since } in exposed_fees(told) {
        let waits = said.owed.is_positive() || said.open.is_positive();
        let claim = told.case.earned.iter().find(|fee| fee.mark.at.position == said.fee.position);
        Row::begin(out, rows.format)
            .plain(mark.at.position)
            .plain(since.on)
            .plain(told.id)
            .plain(said.account)
            .plain(ExposureKind::FeeAskedUnearned)
            .text(ExposureKind::cites_of_fee(&said.gates))
            .maybe(claim.map(|fee| fee.period))
            .empty()
            .money(said.owed)
            .plain(if waits { "yes" } else { "no" })
            .end();
    }
    // What counsel decided to keep is shown for ever, whatever became of it.
    let kept = told.case.fees_kept.iter().filter(|_| rows.format.judges_fees());
    for KeptFee { mark, said } in kept {
        let claim = told.case.earned.iter().find(|fee| fee.mark.at == said.fee);
        let last = told.case.keeping_of(&said.fee);
        let is_in_force = last.is_some_and(|last| last.mark == *mark);
        Row::begin(out, rows.format)
            .plain(mark.at.position)
            .plain(mark.on)
            .plain(told.id)
            .maybe(claim.map(|fee| fee.account))
            .plain(KEPT)
            .text(ExposureKind::PaymentUnearned.cites())
            .maybe(claim.map(|fee| fee.period))
            .empty()
            .money(said.amount)
            .plain(if is_in_force { "yes" } else { "no" })
            .end();
    }
    for Unearned { recorded, found, amount } in unearned(told, own_account) {
        Row::begin(out, rows.format)
            .plain(recorded.position)
            .plain(recorded.occurred_on)
            .plain(told.id)
            .plain(told.id.own_account())
            .plain(ExposureKind::PaymentUnearned)
            .text(found.cites.as_str())
            .empty()
            .plain(&found.payment)
            .money(amount)
            .empty()
            .end();
    }
}
