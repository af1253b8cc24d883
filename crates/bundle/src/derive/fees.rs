//! Fees, gate by gate, and whether each earned one rests on what it names.

use std::collections::{BTreeMap, BTreeSet};

use calendar::CivilDate;
use domain::account::Account;
use domain::case::Mark;
use domain::event::{CaseEvent, Event, Recorded, WorkEvidence};
use domain::gates::{Explanation, Judgement};
use domain::ids::AccountId;
use domain::rules::PackRef;
use domain::terms::Work;

use super::{Earned, Rows, Told, last_day};
use crate::csv::{Row, list};
use crate::tables::at;

/// Most open periods of one case that are told of: as many as a billing run looks at.
const OPEN_PERIODS_MAX: usize = 60;

/// The account that pays for the case after the last event.
pub(super) fn payer(told: &Told<'_>) -> AccountId {
    let own = told.id.own_account();
    told.accounts.get(&own).and_then(|account| account.moved_to).unwrap_or(own)
}

/// The periods that are over and neither earned nor given up, each as the gates judge it today.
pub(super) fn open(told: &Told<'_>) -> Vec<Explanation> {
    let periods = told.case.open_periods(told.frame.as_of).take(OPEN_PERIODS_MAX);
    periods.filter_map(|period| judge(told, period)).collect()
}

fn judge(told: &Told<'_>, period: u32) -> Option<Explanation> {
    let nobody = Account::default();
    let judgement = Judgement {
        id: told.id,
        case: &told.case,
        account: told.accounts.get(&payer(told)).unwrap_or(&nobody),
        firm: told.firm.last(),
        as_of: told.frame.as_of,
    };
    judgement.explain(period)
}

struct Fee<'a> {
    period: u32,
    start: CivilDate,
    end: CivilDate,
    status: &'static str,
    settled: Option<(CivilDate, u64)>,
    account: AccountId,
    work: Vec<WorkEvidence>,
    packs: &'a [PackRef],
    explanation: &'a Explanation,
}

/// Adds the fees, with what [`invoices`] and [`open`] gave.
pub(super) fn rows(
    told: &Told<'_>,
    invoices: &BTreeMap<u32, u64>,
    open: &[Explanation],
    rows: &mut Rows,
) {
    let closed = told.case.closed.iter();
    let closed: Vec<(u32, &Mark, Explanation)> =
        closed.filter_map(|(&period, mark)| Some((period, mark, judge(told, period)?))).collect();
    let mut fees = BTreeMap::new();
    for (&period, earned) in &told.earned {
        check(told, period, earned, rows);
        let Some(explanation) = &earned.explanation else { continue };
        let fee = Fee {
            period,
            start: earned.fee.start,
            end: earned.fee.end,
            status: "earned",
            settled: Some((earned.recorded.occurred_on, earned.recorded.position)),
            account: earned.fee.account,
            work: earned.fee.evidence.clone(),
            packs: &earned.fee.rules,
            explanation,
        };
        fees.insert(period, fee);
    }
    for (period, mark, explanation) in &closed {
        let settled = Some((mark.on, mark.at.position));
        fees.entry(*period).or_insert_with(|| unearned(told, "given_up", settled, explanation));
    }
    for explanation in open {
        let status = if explanation.is_claimable() { "claimable" } else { "held" };
        let fee = unearned(told, status, None, explanation);
        fees.entry(fee.period).or_insert(fee);
    }
    for fee in fees.values() {
        write(told, fee, invoices.get(&fee.period).copied(), rows);
    }
}

fn unearned<'a>(
    told: &'a Told<'_>,
    status: &'static str,
    settled: Option<(CivilDate, u64)>,
    explanation: &'a Explanation,
) -> Fee<'a> {
    let period = explanation.period;
    let agreement = told.case.agreement_for(period.start);
    Fee {
        period: period.number,
        start: period.start,
        end: period.end,
        status,
        settled,
        account: payer(told),
        work: explanation.evidence(),
        packs: agreement.map_or(&[], |agreement| &agreement.rules.packs),
        explanation,
    }
}

/// The invoices that this case's fees stand on, by period.
pub(super) fn invoices(told: &Told<'_>) -> BTreeMap<u32, u64> {
    let mut numbers = BTreeMap::new();
    for account in told.accounts.values() {
        for (number, invoice) in account.invoices.iter() {
            for line in invoice.lines.iter().filter(|line| line.case == told.id) {
                numbers.insert(line.period, *number);
            }
        }
    }
    numbers
}

fn write(told: &Told<'_>, fee: &Fee<'_>, invoice: Option<u64>, rows: &mut Rows) {
    let explanation = fee.explanation;
    let work = fee.work.iter().map(|e| format!("{}@{}", e.work, e.event.position));
    Row::begin(&mut rows.tables[at::FEES], rows.format)
        .plain(told.id)
        .plain(fee.period)
        .plain(fee.start)
        .plain(last_day(fee.end))
        .plain(fee.status)
        .money(explanation.amount)
        .plain(explanation.as_of)
        .maybe(fee.settled.map(|(on, _)| on))
        .maybe(fee.settled.map(|(_, position)| position))
        .plain(fee.account)
        .maybe(invoice)
        .plain(list(work))
        .plain(fee.work.iter().filter(|e| e.late).count())
        .text(&list(fee.packs.iter().map(|pack| format!("{}@{}", pack.code, pack.version))))
        .end();
    for finding in &explanation.findings {
        Row::begin(&mut rows.tables[at::FEE_GATES], rows.format)
            .plain(told.id)
            .plain(fee.period)
            .plain(finding.gate)
            .text(finding.gate.asks())
            .yes_or_no(finding.holds)
            .text(&finding.because)
            .text(&finding.cites)
            .plain(list(finding.events.iter().map(|event| event.position)))
            .maybe(finding.not_before)
            .end();
    }
}

/// Whether a fee is what the gates allow, on the events it names.
fn check(told: &Told<'_>, period: u32, earned: &Earned<'_>, rows: &mut Rows) {
    let position = earned.recorded.position;
    let name = format!("the fee of period {period}");
    for evidence in &earned.fee.evidence {
        if let Err(what) = rests_on(told.events, earned.recorded, evidence) {
            rows.fault(position, format!("{name} {what}"));
        }
    }
    let named: BTreeSet<u64> = earned.fee.evidence.iter().map(|e| e.event.position).collect();
    if named.len() != earned.fee.evidence.len() {
        rows.fault(position, format!("{name} names one event twice"));
    }
    let Some(explanation) = &earned.explanation else {
        rows.fault(position, format!("{name} is of a period that the case does not have"));
        return;
    };
    for gate in explanation.closed_gates() {
        rows.fault(position, format!("{name} was earned although gate {gate} did not hold"));
    }
    if explanation.amount != Some(earned.fee.amount) {
        rows.fault(position, format!("{name} is not the agreement's price"));
    }
    if explanation.evidence() != earned.fee.evidence {
        rows.fault(position, format!("{name} does not name the work that was promised for it"));
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
