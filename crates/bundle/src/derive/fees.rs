//! Fees, gate by gate, and whether each earned one rests on what it names.

use std::collections::BTreeSet;

use calendar::CivilDate;
use domain::account::Account;
use domain::case::Mark;
use domain::event::{CaseEvent, Event, FeeEarned, FeeMarked, Recorded, WorkEvidence};
use domain::gates::Explanation;
use domain::gates::FeeStanding;
use domain::ids::AccountId;
use domain::judge::{Judge, Matter};
use domain::rules::PackRef;
use domain::terms::Work;

use super::{Earned, Rows, Then, Told, last_day};
use crate::csv::{Row, list};
use crate::tables::at;

/// Most open periods of one case that are told of: as many as a billing run looks at.
const OPEN_PERIODS_MAX: usize = 60;

/// The account that pays for the case after the last event.
pub(super) fn payer(told: &Told<'_>) -> AccountId {
    let own = told.id.own_account();
    told.accounts.get(&own).and_then(|account| account.moved_to).unwrap_or(own)
}

/// The periods that are over and neither claimed nor given up, each as the gates judge it at the end.
pub(super) fn open(told: &Told<'_>, judge: &Judge<'_>) -> Vec<Explanation> {
    let periods = judge.open_periods(told.frame.as_of).take(OPEN_PERIODS_MAX);
    periods.filter_map(|period| judge.explain(period, told.frame.as_of)).collect()
}

/// The periods that were given up, with the note that says so.
pub(super) fn given_up<'a>(told: &Told<'a>, judge: &Judge<'a>) -> Vec<(&'a Mark, Explanation)> {
    let given_up = judge.case().given_up.iter();
    given_up
        .filter_map(|note| Some((&note.moment.mark, judge.explain(note.period, told.frame.as_of)?)))
        .collect()
}

struct Fee {
    status: &'static str,
    settled: Option<(CivilDate, u64)>,
    account: AccountId,
    invoice: Option<u64>,
    packs: Vec<PackRef>,
    explanation: Explanation,
}

/// Adds the fees: those claimed, in the order claimed, those given up, and those of periods that are over.
pub(super) fn rows(told: &Told<'_>, judge: &Judge<'_>, rows: &mut Rows) {
    for wrong in &told.wrong_marks {
        rows.fault(wrong.recorded.position, wrong.what.clone());
    }
    let mut fees = Vec::new();
    for (earned, judged) in told.earned.iter().zip(judge.fees()) {
        check(told, earned, rows);
        let status = match judged.standing {
            FeeStanding::Allowed => "earned",
            FeeStanding::Unproved => "unproved",
            FeeStanding::Exposed => "exposed",
        };
        fees.push(Fee {
            status,
            settled: Some((earned.recorded.occurred_on, earned.recorded.position)),
            account: earned.fee.account,
            invoice: judged.invoice,
            packs: earned.fee.rules.clone(),
            explanation: judge.explain_claimed(&judged),
        });
    }
    for (mark, explanation) in given_up(told, judge) {
        let settled = Some((mark.on, mark.at.position));
        fees.push(unearned(told, judge, "given_up", settled, explanation));
    }
    for explanation in open(told, judge) {
        let status = if explanation.is_claimable() { "claimable" } else { "held" };
        fees.push(unearned(told, judge, status, None, explanation));
    }
    fees.sort_by_key(|fee| (fee.explanation.period.number, fee.settled.map(|(_, at)| at)));
    for fee in &fees {
        write(told, fee, rows);
    }
}

fn unearned(
    told: &Told<'_>,
    judge: &Judge<'_>,
    status: &'static str,
    settled: Option<(CivilDate, u64)>,
    explanation: Explanation,
) -> Fee {
    let rules = judge.rules(explanation.period.number);
    Fee {
        status,
        settled,
        account: payer(told),
        invoice: None,
        packs: rules.map_or_else(Vec::new, |rules| rules.packs.clone()),
        explanation,
    }
}

fn write(told: &Told<'_>, fee: &Fee, rows: &mut Rows) {
    let explanation = &fee.explanation;
    let (period, evidence) = (explanation.period, explanation.evidence());
    let work = evidence.iter().map(|e| format!("{}@{}", e.work, e.event.position));
    Row::begin(&mut rows.tables[at::FEES], rows.format)
        .plain(told.id)
        .plain(period.number)
        .plain(period.start)
        .plain(last_day(period.end))
        .plain(fee.status)
        .money(explanation.amount)
        .plain(explanation.as_of)
        .maybe(fee.settled.map(|(on, _)| on))
        .maybe(fee.settled.map(|(_, position)| position))
        .plain(fee.account)
        .maybe(fee.invoice)
        .plain(list(work))
        .plain(evidence.iter().filter(|e| e.late).count())
        .text(&list(fee.packs.iter().map(|pack| format!("{}@{}", pack.code, pack.version))))
        .end();
    for finding in &explanation.findings {
        Row::begin(&mut rows.tables[at::FEE_GATES], rows.format)
            .plain(told.id)
            .plain(period.number)
            .plain(finding.gate)
            .text(finding.gate.asks())
            .plain(finding.answer)
            .text(&finding.because)
            .text(&finding.cites)
            .plain(list(finding.events.iter().map(|event| event.position)))
            .maybe(finding.not_before)
            .end();
    }
}

/// What of a fee the ledger cannot have recorded on what it knew then: it claims a fee of which every gate
/// holds, as they are judged that day. Fees from before these rules name no agreement, and are judged again
/// like all others, not held against rules that were not asked of them.
pub(super) fn unclaimable(then: &Then<'_>, recorded: &Recorded, fee: &FeeEarned) -> Vec<String> {
    if fee.agreement.is_none() {
        return Vec::new();
    }
    let (payer, accounts) = then.payers();
    let Some(judge) = then.judge(&accounts, recorded) else { return Vec::new() };
    let Some(explanation) = judge.explain_anew(fee.period, fee.as_of) else {
        return vec!["is of a period that the case did not have".into()];
    };
    let closed = explanation.closed_gates();
    let mut wrong: Vec<String> =
        closed.map(|gate| format!("was claimed although gate {gate} did not hold")).collect();
    if fee.as_of != recorded.occurred_on {
        wrong.push("was judged as of another day than it was claimed on".into());
    }
    if judge.is_settled(fee.period) {
        wrong.push("is of a period that was settled".into());
    }
    if explanation.is_claimable() && judge.claim(payer, &explanation) != *fee {
        wrong.push("is not the fee that could be claimed for that period".into());
    }
    wrong
}

/// What of a mark of a fee the ledger cannot have concluded on what it knew then.
pub(super) fn unmarkable(then: &Then<'_>, recorded: &Recorded, mark: &FeeMarked) -> Option<String> {
    let (_, accounts) = then.payers();
    let judge = then.judge(&accounts, recorded)?;
    let found = judge.marks().any(|found| found == *mark);
    (!found).then(|| {
        format!("of the fee claimed at position {} this could not be concluded", mark.fee.position)
    })
}

impl Then<'_> {
    /// The account that paid, and all on which fees of the case stood, that one first.
    fn payers(&self) -> (AccountId, Vec<(AccountId, &Account)>) {
        let own = self.id.own_account();
        let payer = self.account(own).and_then(|account| account.moved_to).unwrap_or(own);
        let others = self.accounts.keys().filter(|id| **id != payer);
        let accounts = std::iter::once(&payer).chain(others);
        (payer, accounts.filter_map(|&id| Some((id, self.account(id)?))).collect())
    }

    /// The fees as they were judged when an event was recorded.
    fn judge<'a>(
        &'a self,
        accounts: &'a [(AccountId, &'a Account)],
        recorded: &Recorded,
    ) -> Option<Judge<'a>> {
        let Then { id, case, firm, .. } = *self;
        let today = firm.registered.as_ref()?.zone.date_at(recorded.recorded_at.0);
        Some(Judge::of(Matter { id, case, accounts, firm, today }))
    }
}

/// Whether a fee names events that are what it says of them.
fn check(told: &Told<'_>, earned: &Earned<'_>, rows: &mut Rows) {
    let position = earned.recorded.position;
    let name = format!("the fee of period {}", earned.fee.period);
    for evidence in &earned.fee.evidence {
        if let Err(what) = rests_on(told.events, earned.recorded, evidence) {
            rows.fault(position, format!("{name} {what}"));
        }
    }
    for what in &earned.wrong {
        rows.fault(position, format!("{name} {what}"));
    }
    let named: BTreeSet<u64> = earned.fee.evidence.iter().map(|e| e.event.position).collect();
    if named.len() != earned.fee.evidence.len() {
        rows.fault(position, format!("{name} names one event twice"));
    }
}

fn rests_on(events: &[Recorded], fee: &Recorded, evidence: &WorkEvidence) -> Result<(), String> {
    let at = evidence.event.position;
    let found = events.binary_search_by_key(&at, |recorded| recorded.position).ok();
    let Some(recorded) = found.and_then(|place| events.get(place)) else {
        return Err(format!("rests on position {at}, which is no event of its case"));
    };
    let is_work = match evidence.work {
        Work::ReportImport => matches!(&recorded.event, Event::Case(CaseEvent::ReportImported(_))),
        Work::DisputeRound => matches!(&recorded.event, Event::Case(CaseEvent::RoundSent(_))),
        Work::ProgressReport => {
            matches!(&recorded.event, Event::Case(CaseEvent::ProgressReportSent(_)))
        }
    };
    if at >= fee.position {
        return Err(format!("rests on position {at}, which comes after it"));
    }
    if recorded.event_id != evidence.event.id || !is_work {
        return Err(format!("rests on position {at}, which is not the work it says"));
    }
    if recorded.occurred_on != evidence.on || recorded.late_days.is_some() != evidence.late {
        return Err(format!("rests on position {at} with another day than that event's"));
    }
    Ok(())
}
