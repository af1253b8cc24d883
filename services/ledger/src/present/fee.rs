//! Fees: what each period is worth, and why it may or may not be asked for.

use api::Paired;
use api::scalar::int32;
use api::{name, v1};
use domain::account::Account;
use domain::case::Case;
use domain::gates::{Explanation, Finding, Judgement, WorkFinding};
use domain::ids::{CaseId, FirmId};

use super::case::CaseView;
use super::{amount, day, reference};

/// Most periods of one case that a presentation lists; a service of ten years by the month.
const FEES_MAX: u32 = 120;

/// The fees of a case up to the period that runs.
pub(crate) fn of_case(view: &CaseView<'_>) -> Vec<v1::Fee> {
    let Some(schedule) = view.case.schedule.as_ref() else { return Vec::new() };
    let judgement = Judgement {
        id: view.id,
        case: view.case,
        account: view.account.1,
        firm: view.rules,
        as_of: view.today,
    };
    let begun = (1..=FEES_MAX)
        .map_while(|number| schedule.period(number))
        .take_while(|period| period.start <= view.today);
    let fees = begun.filter_map(|period| judgement.explain(period.number));
    fees.map(|explanation| fee(view, &explanation)).collect()
}

fn fee(view: &CaseView<'_>, explanation: &Explanation) -> v1::Fee {
    let period = explanation.period;
    let held = view.case.held.get(&period.number);
    let state = if view.case.earned.contains_key(&period.number) {
        v1::FeeState::Earned
    } else if view.case.closed.contains_key(&period.number) {
        v1::FeeState::Closed
    } else if held.is_some() {
        v1::FeeState::Held
    } else {
        v1::FeeState::Open
    };
    let gates = held.filter(|_| state == v1::FeeState::Held).into_iter().flatten();
    let accounts = [view.account.1, view.own_account];
    v1::Fee {
        period: int32(period.number),
        start_date: day(period.start),
        end_date: day(period.end),
        state: state.into(),
        amount: explanation.amount.and_then(amount),
        held_gates: gates.map(|&gate| v1::Gate::from_domain(gate).into()).collect(),
        invoice: invoice_of(view.firm, view.id, period.number, accounts).unwrap_or_default(),
    }
}

/// The name of the invoice on which a case's period stands, if it was claimed.
pub(crate) fn invoice_of(
    firm: FirmId,
    case: CaseId,
    period: u32,
    accounts: [&Account; 2],
) -> Option<String> {
    let mut invoices = accounts.into_iter().flat_map(|account| account.invoices.iter());
    let found = invoices.find(|(_, invoice)| {
        invoice.lines.iter().any(|line| line.case == case && line.period == period)
    });
    found.map(|(number, _)| name::invoice(firm, *number))
}

pub(crate) fn finding(finding: &Finding) -> v1::GateFinding {
    v1::GateFinding {
        gate: v1::Gate::from_domain(finding.gate).into(),
        holds: finding.holds,
        because: finding.because.clone(),
        citation: finding.cites.clone(),
        events: finding.events.iter().map(reference).collect(),
        due_date: finding.not_before.and_then(day),
    }
}

fn work(found: &WorkFinding) -> v1::WorkFinding {
    let done = found.done.as_ref();
    v1::WorkFinding {
        work: v1::Work::from_domain(found.work).into(),
        event: done.map(|mark| reference(&mark.at)),
        on: done.and_then(|mark| day(mark.on)),
        late: done.is_some_and(|mark| mark.late),
    }
}

/// An entry of the list of what is over and not billed: with the gates that hold it.
pub(crate) fn claimable(firm: FirmId, explanation: &Explanation) -> v1::ClaimableFee {
    let closed = explanation.findings.iter().filter(|finding| !finding.holds);
    v1::ClaimableFee {
        case: name::case(firm, explanation.case),
        period: int32(explanation.period.number),
        start_date: day(explanation.period.start),
        end_date: day(explanation.period.end),
        amount: explanation.amount.and_then(amount),
        claimable: explanation.is_claimable(),
        findings: closed.map(finding).collect(),
    }
}

/// Everything about one fee.
pub(crate) fn explanation(
    firm: FirmId,
    case: &Case,
    accounts: [&Account; 2],
    explained: &Explanation,
) -> v1::FeeExplanation {
    let period = explained.period;
    let rules = case.agreement_for(period.start).map(|agreement| &agreement.rules.packs);
    let rules = rules
        .into_iter()
        .flatten()
        .map(|pack| v1::RulesVersion { pack: pack.code.to_string(), version: int32(pack.version) });
    v1::FeeExplanation {
        case: name::case(firm, explained.case),
        period: int32(period.number),
        start_date: day(period.start),
        end_date: day(period.end),
        amount: explained.amount.and_then(amount),
        claimable: explained.earned.is_none() && explained.is_claimable(),
        findings: explained.findings.iter().map(finding).collect(),
        work: explained.work.iter().map(work).collect(),
        late_evidence: explained.work.iter().filter_map(|w| w.done.as_ref()).any(|mark| mark.late),
        as_of: day(explained.as_of),
        rules: rules.collect(),
        invoice: invoice_of(firm, explained.case, period.number, accounts).unwrap_or_default(),
        claimed_on: explained.earned.as_ref().and_then(|mark| day(mark.on)),
    }
}
