//! Fees: what each period is worth, and why it may or may not be asked for.

use api::Paired;
use api::google::r#type::Date;
use api::scalar::int32;
use api::{name, v1};
use domain::case::{Case, KeptFee};
use domain::event::ExposureKind;
use domain::gates::{Answer, Explanation, FeeStanding, Finding, Opens, WorkFinding};
use domain::ids::{CaseId, FirmId};
use domain::judge::{Judge, JudgedFee, ToldFirst};
use domain::money::Money;
use domain::rules::PackRef;

use super::{amount, day, reference};

/// Most periods of one case that a presentation lists; a service of ten years by the month.
const FEES_MAX: usize = 120;

/// The fees of a case up to the period that runs, and those claimed ones that stand for no period any more.
pub(crate) fn of_case(firm: FirmId, judge: &Judge<'_>, told_first: &[ToldFirst]) -> Vec<v1::Fee> {
    let claimed: Vec<JudgedFee<'_>> = judge.fees_on_record().collect();
    let mut is_shown = vec![false; claimed.len()];
    let mut fees = Vec::new();
    for period in judge.periods().take(FEES_MAX) {
        let Some(explanation) = judge.explain(period.number, judge.today()) else { continue };
        let is_it = |fee: &JudgedFee<'_>| Some(&fee.fee.mark) == explanation.earned.as_ref();
        let at = claimed.iter().position(is_it);
        if let Some(at) = at {
            is_shown[at] = true;
        }
        let of = of_period(judge, explanation, told_first, at.is_none());
        fees.push(match at.map(|at| &claimed[at]) {
            Some(judged) => of_claim(firm, judge, judged, told_first, of),
            None => of,
        });
    }
    let others = claimed.iter().zip(is_shown).filter(|(_, is_shown)| !is_shown).take(FEES_MAX);
    for (judged, _) in others {
        let fee = v1::Fee {
            period: int32(judged.fee.period),
            start_date: day(judged.fee.start),
            end_date: day(judged.fee.end),
            state: v1::FeeState::Earned.into(),
            amount: amount(judged.fee.amount),
            ..v1::Fee::default()
        };
        fees.push(of_claim(firm, judge, judged, told_first, fee));
    }
    fees
}

/// A fee with what became of its claim.
fn of_claim(
    firm: FirmId,
    judge: &Judge<'_>,
    judged: &JudgedFee<'_>,
    told_first: &[ToldFirst],
    fee: v1::Fee,
) -> v1::Fee {
    let mut explanation = judge.explain_claimed(judged);
    judge.name_corrections(&mut explanation, told_first);
    let keeping = judged.keeping.filter(|_| judged.kept.is_positive());
    v1::Fee {
        invoice: judged.invoice.map(|number| name::invoice(firm, number)).unwrap_or_default(),
        standing: of_judged(judged).into(),
        owed: amount(judged.owed),
        kept: amount(judged.kept),
        kept_on: keeping.and_then(|keeping| day(keeping.mark.on)),
        asked_back: amount(judged.asked_back),
        corrected_gates: helped(&explanation),
        given_back: amount(judged.given_back),
        claimed_on: day(judged.fee.mark.on),
        held_open: amount(judge.held_meanwhile(judged)),
        account: name::account(firm, judged.fee.account),
        ..fee
    }
}

/// The fee of a period as it stands today; of one that is not claimed also by which corrections it may be.
fn of_period(
    judge: &Judge<'_>,
    mut explanation: Explanation,
    told_first: &[ToldFirst],
    is_open: bool,
) -> v1::Fee {
    let period = explanation.period;
    let state = if explanation.earned.is_some() {
        v1::FeeState::Earned
    } else if judge.is_settled(period.number) {
        v1::FeeState::Closed
    } else if period.end <= judge.today() && !explanation.is_claimable() {
        v1::FeeState::Held
    } else {
        v1::FeeState::Open
    };
    let closed = explanation.closed_gates().filter(|_| state == v1::FeeState::Held);
    let held_gates = closed.map(|gate| v1::Gate::from_domain(gate).into()).collect();
    if is_open && explanation.is_claimable() {
        judge.name_corrections(&mut explanation, told_first);
    }
    v1::Fee {
        period: int32(period.number),
        start_date: day(period.start),
        end_date: day(period.end),
        state: state.into(),
        amount: explanation.amount.and_then(amount),
        held_gates,
        corrected_gates: helped(&explanation),
        ..v1::Fee::default()
    }
}

/// The gates that hold, and would not but for a correction.
fn helped(explanation: &Explanation) -> Vec<i32> {
    explanation.helped_gates().map(|gate| v1::Gate::from_domain(gate).into()).collect()
}

/// The claimed fees of a case that nothing allowed, or not all of, with what became of the money.
pub(crate) fn exposures(
    firm: FirmId,
    (id, case): (CaseId, &Case),
    judge: &Judge<'_>,
) -> Vec<v1::Exposure> {
    let exposed = judge.fees_on_record().filter(|judged| judged.exposed.is_positive());
    let exposures = exposed.map(|judged| {
        let claim = &judged.fee.mark;
        let back = judge.money_back(claim.on).filter(|_| judged.owed.is_positive());
        let mark = case.marks.get(&claim.at.position).map_or(claim, |marked| &marked.mark);
        let kept = judged.keeping.filter(|_| judged.kept.is_positive());
        v1::Exposure {
            case: name::case(firm, id),
            account: String::new(),
            kind: v1::ExposureKind::from_domain(ExposureKind::FeeAskedUnearned).into(),
            amount: amount(judged.exposed),
            period: Some(int32(judged.fee.period)),
            citation: ExposureKind::cites_of_fee(&judged.closed).to_owned(),
            found_on: day(case
                .marks
                .get(&claim.at.position)
                .map_or(mark, |marked| &marked.since)
                .on),
            event: Some(reference(&mark.at)),
            owed: amount(judged.owed),
            open: amount(judged.open),
            kept: amount(judged.kept),
            kept_on: kept.and_then(|keeping| day(keeping.mark.on)),
            asked_back: amount(judged.asked_back),
            put_right: false,
            return_by: back.as_ref().and_then(|back| day(back.by)),
            return_citation: back.map(|back| back.cites.to_string()).unwrap_or_default(),
            details: Vec::new(),
        }
    });
    exposures.collect()
}

fn keeping(kept: &KeptFee) -> v1::Keeping {
    let KeptFee { mark, said } = kept;
    v1::Keeping {
        amount: amount(said.amount),
        decided_on: day(mark.on),
        counsel: said.counsel.to_string(),
        exposed: amount(said.exposed),
        gates: said.gates.iter().map(|&gate| v1::Gate::from_domain(gate).into()).collect(),
        document_sha256: said.document.map(|hash| hash.to_string()).unwrap_or_default(),
        event: Some(reference(&mark.at)),
    }
}

/// What stands behind a claimed fee. One that is above its price is allowed up to it, and exposed beyond.
pub(crate) fn standing(standing: FeeStanding, exposed: Money) -> v1::FeeStanding {
    match standing {
        FeeStanding::Exposed => v1::FeeStanding::Exposed,
        FeeStanding::Allowed | FeeStanding::Unproved if exposed.is_positive() => {
            v1::FeeStanding::Exposed
        }
        FeeStanding::Unproved => v1::FeeStanding::Unproved,
        FeeStanding::Allowed => v1::FeeStanding::Allowed,
    }
}

fn of_judged(judged: &JudgedFee<'_>) -> v1::FeeStanding {
    standing(judged.standing, judged.exposed)
}

pub(crate) fn finding(finding: &Finding) -> v1::GateFinding {
    v1::GateFinding {
        gate: v1::Gate::from_domain(finding.gate).into(),
        holds: finding.holds(),
        because: finding.because.clone(),
        citation: finding.cites.clone(),
        events: finding.events.iter().map(reference).collect(),
        due_date: due_date(finding.opens),
        answer: match finding.answer {
            Answer::Holds => v1::GateAnswer::Holds,
            Answer::Fails => v1::GateAnswer::Fails,
            Answer::Unknown => v1::GateAnswer::Unknown,
        }
        .into(),
        corrected: finding.is_corrected,
        opening: opening(finding.opens).into(),
    }
}

/// What opens a gate or a fee; not stated where nothing is closed.
pub(crate) const fn opening(opens: Option<Opens>) -> v1::GateOpening {
    match opens {
        None => v1::GateOpening::Unspecified,
        Some(Opens::Finish { .. }) => v1::GateOpening::Finish,
        Some(Opens::Wait { .. }) => v1::GateOpening::Wait,
        Some(Opens::PutRight) => v1::GateOpening::PutRight,
        Some(Opens::Never) => v1::GateOpening::Never,
    }
}

fn due_date(opens: Option<Opens>) -> Option<Date> {
    match opens {
        Some(Opens::Finish { by }) => day(by),
        Some(Opens::Wait { until }) => day(until),
        Some(Opens::PutRight | Opens::Never) | None => None,
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
    let closed = explanation.findings.iter().filter(|finding| !finding.holds());
    v1::ClaimableFee {
        case: name::case(firm, explanation.case),
        period: int32(explanation.period.number),
        start_date: day(explanation.period.start),
        end_date: day(explanation.period.end),
        amount: explanation.amount.and_then(amount),
        claimable: explanation.is_claimable(),
        findings: closed.map(finding).collect(),
        opening: opening(explanation.opens()).into(),
        due_date: due_date(explanation.opens()),
        corrected_gates: helped(explanation),
        at_own_risk: explanation.at_own_risk().map(version).collect(),
    }
}

fn version(pack: &PackRef) -> v1::RulesVersion {
    v1::RulesVersion { pack: pack.code.to_string(), version: int32(pack.version) }
}

/// Everything about a fee that was not claimed.
pub(crate) fn explanation(
    firm: FirmId,
    judge: &Judge<'_>,
    explained: &Explanation,
) -> v1::FeeExplanation {
    let period = explained.period;
    let rules = judge.rules(period.number).map(|rules| &rules.packs);
    let rules = rules.into_iter().flatten().map(version);
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
        invoice: String::new(),
        claimed_on: explained.earned.as_ref().and_then(|mark| day(mark.on)),
        standing: v1::FeeStanding::Unspecified.into(),
        owed: None,
        exposed_open: None,
        kept: None,
        keepings: Vec::new(),
        asked_back: None,
        claims: Vec::new(),
        held_open: None,
    }
}

/// A claimed fee in short.
pub(crate) fn claim(firm: FirmId, judged: &JudgedFee<'_>) -> v1::FeeClaim {
    let fee = judged.fee;
    v1::FeeClaim {
        event: Some(reference(&fee.mark.at)),
        claimed_on: day(fee.mark.on),
        period: int32(fee.period),
        start_date: day(fee.start),
        end_date: day(fee.end),
        amount: amount(fee.amount),
        invoice: judged.invoice.map(|number| name::invoice(firm, number)).unwrap_or_default(),
        standing: of_judged(judged).into(),
        exposed: amount(judged.exposed),
        given_back: amount(judged.given_back),
        owed: amount(judged.owed),
        kept: amount(judged.kept),
        steps: Vec::new(),
    }
}

/// Everything about a claimed fee, under the number that its period has today.
pub(crate) fn claimed(
    firm: FirmId,
    judge: &Judge<'_>,
    judged: &JudgedFee<'_>,
    number: u32,
    told_first: &[ToldFirst],
) -> v1::FeeExplanation {
    let mut explained = judge.explain_claimed(judged);
    judge.name_corrections(&mut explained, told_first);
    explained.period.number = number;
    v1::FeeExplanation {
        invoice: judged.invoice.map(|number| name::invoice(firm, number)).unwrap_or_default(),
        standing: of_judged(judged).into(),
        owed: amount(judged.owed),
        exposed_open: amount(judged.open),
        kept: amount(judged.kept),
        keepings: judge.keepings(judged).map(keeping).collect(),
        asked_back: amount(judged.asked_back),
        held_open: amount(judge.held_meanwhile(judged)),
        ..explanation(firm, judge, &explained)
    }
}
