//! Fees, gate by gate, and whether each earned one rests on what it names.

use std::collections::{BTreeMap, BTreeSet};

use calendar::{CivilDate, Period};
use domain::account::{Account, NotAsked};
use domain::case::Mark;
use domain::event::{
    CaseEvent, Event, FeeEarned, FeeKept, FeeMarked, LineShare, Recorded, WorkEvidence,
};
use domain::gates::{Explanation, FeeStanding, Finding};
use domain::ids::AccountId;
use domain::judge::{EDITION, Judge, JudgedFee, Matter, ToldFirst};
use domain::money::Money;
use domain::rules::PackRef;
use domain::terms::Work;

use super::{Earned, Rows, Then, Told, last_day};
use crate::csv::{Row, list};
use crate::recordable::not_asked;
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
pub(super) fn given_up<'a>(told: &Told<'_>, judge: &Judge<'a>) -> Vec<(&'a Mark, Explanation)> {
    let given_up = judge.given_up_periods();
    given_up
        .filter_map(|(note, number)| {
            Some((&note.moment.mark, judge.explain(number, told.frame.as_of)?))
        })
        .collect()
}

/// A row of the table, and what its gates say.
pub(super) struct Fee {
    period: Period,
    status: &'static str,
    amount: Option<Money>,
    as_of: CivilDate,
    settled: Option<(CivilDate, u64)>,
    account: AccountId,
    invoice: Option<u64>,
    work: Vec<WorkEvidence>,
    packs: Vec<PackRef>,
    findings: Vec<Finding>,
}

impl Fee {
    /// A claimed fee, as its event tells it.
    pub(super) fn claimed(recorded: &Recorded, fee: &FeeEarned, invoice: Option<u64>) -> Self {
        Self {
            period: Period { number: fee.period, start: fee.start, end: fee.end },
            status: "earned",
            amount: Some(fee.amount),
            as_of: fee.as_of,
            settled: Some((recorded.occurred_on, recorded.position)),
            account: fee.account,
            invoice,
            work: fee.evidence.clone(),
            packs: fee.rules.clone(),
            findings: Vec::new(),
        }
    }

    /// A period without a fee, as it is explained at the end.
    fn unclaimed(
        told: &Told<'_>,
        judge: &Judge<'_>,
        status: &'static str,
        settled: Option<&Mark>,
        explanation: Explanation,
    ) -> Self {
        let rules = judge.rules(explanation.period.number);
        Self {
            period: explanation.period,
            status,
            amount: explanation.amount,
            as_of: explanation.as_of,
            settled: settled.map(|mark| (mark.on, mark.at.position)),
            account: payer(told),
            invoice: None,
            work: explanation.evidence(),
            packs: rules.map_or_else(Vec::new, |rules| rules.packs.clone()),
            findings: explanation.findings,
        }
    }

    /// Adds its row, and one for each gate.
    pub(super) fn write(&self, told: &Told<'_>, rows: &mut Rows) {
        let work = self.work.iter().map(|e| format!("{}@{}", e.work, e.event.position));
        let packs = self.packs.iter().map(|pack| format!("{}@{}", pack.code, pack.version));
        Row::begin(&mut rows.tables[at::FEES], rows.format)
            .plain(told.id)
            .plain(self.period.number)
            .plain(self.period.start)
            .plain(last_day(self.period.end))
            .plain(self.status)
            .money(self.amount)
            .plain(self.as_of)
            .maybe(self.settled.map(|(on, _)| on))
            .maybe(self.settled.map(|(_, position)| position))
            .plain(self.account)
            .maybe(self.invoice)
            .plain(list(work))
            .plain(self.work.iter().filter(|e| e.late).count())
            .text(&list(packs))
            .end();
        for finding in &self.findings {
            Row::begin(&mut rows.tables[at::FEE_GATES], rows.format)
                .plain(told.id)
                .plain(self.period.number)
                .plain(finding.gate)
                .text(finding.gate.asks())
                .plain(finding.answer)
                .text(&finding.because)
                .text(&finding.cites)
                .plain(list(finding.events.iter().map(|event| event.position)))
                .maybe(finding.not_before())
                .end();
        }
    }
}

/// The case without its corrections, as its facts were told first.
pub(super) fn told_first(told: &Told<'_>) -> Vec<ToldFirst> {
    let facts = told.case.corrected_facts().into_iter().filter_map(|position| {
        let at = told.events.binary_search_by_key(&position, |recorded| recorded.position).ok()?;
        told.events.get(at).cloned()
    });
    told.case.told_first(&facts.collect::<Vec<_>>(), told.firm.last())
}

/// Adds the fees, by the number of their period: of one that is over and open, then those claimed and given up,
/// in the order recorded.
pub(super) fn rows(told: &Told<'_>, judge: &Judge<'_>, rows: &mut Rows) {
    for wrong in &told.wrong_marks {
        rows.fault(wrong.recorded.position, wrong.what.clone());
    }
    let told_first = told_first(told);
    let mut fees = Vec::new();
    for (earned, judged) in told.earned.iter().zip(judge.fees()) {
        check(told, earned, rows);
        let status = match judged.standing {
            FeeStanding::Allowed => "earned",
            FeeStanding::Unproved => "unproved",
            FeeStanding::Exposed => "exposed",
        };
        let mut explained = judge.explain_claimed(&judged);
        judge.name_corrections(&mut explained, &told_first);
        let findings = explained.findings;
        let fee = Fee::claimed(earned.recorded, earned.fee, judged.invoice);
        fees.push(Fee { status, as_of: judged.asked_on, findings, ..fee });
    }
    for (mark, mut explanation) in given_up(told, judge) {
        judge.name_corrections(&mut explanation, &told_first);
        fees.push(Fee::unclaimed(told, judge, "given_up", Some(mark), explanation));
    }
    for mut explanation in open(told, judge) {
        judge.name_corrections(&mut explanation, &told_first);
        let status = if explanation.is_claimable() { "claimable" } else { "held" };
        fees.push(Fee::unclaimed(told, judge, status, None, explanation));
    }
    fees.sort_by_key(|fee| (fee.period.number, fee.settled.map(|(_, at)| at)));
    for fee in &fees {
        fee.write(told, rows);
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
    // Nothing is claimed before a review was noted under the edition that it is claimed by.
    let edition = then.firm.reviewed.as_ref().map_or(EDITION, |reviewed| reviewed.edition);
    let Some(judge) = then.judge(&accounts, recorded, edition) else { return Vec::new() };
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
    if explanation.is_claimable() {
        wrong.extend(other_than(&judge.claim(payer, &explanation), fee).map(str::to_owned));
    }
    wrong
}

/// In what a fee is not the one that could be claimed. Which period and day it was judged for it says itself.
fn other_than(claim: &FeeEarned, fee: &FeeEarned) -> impl Iterator<Item = &'static str> {
    let FeeEarned {
        account,
        agreement,
        amount,
        as_of: _,
        earned_on,
        end,
        evidence,
        period: _,
        plan,
        rules,
        start,
    } = fee;
    let others = [
        (*account != claim.account, "is not on the account that paid"),
        (*agreement != claim.agreement, "names another agreement than that of its period"),
        (*amount != claim.amount, "is not the agreement's price"),
        ((*start, *end) != (claim.start, claim.end), "has other days than its period"),
        (*earned_on != claim.earned_on, "was earned on another day than it says"),
        (*evidence != claim.evidence, "does not name the work that was promised for it"),
        (*plan != claim.plan, "names another plan than its agreement"),
        (*rules != claim.rules, "names other rule packs than its agreement"),
    ];
    others.into_iter().filter_map(|(is_other, what)| is_other.then_some(what))
}

/// What of a mark of a fee the ledger cannot have concluded on what it knew then.
pub(super) fn unmarkable(then: &Then<'_>, recorded: &Recorded, mark: &FeeMarked) -> Option<String> {
    let (_, accounts) = then.payers();
    // Earlier software did not say what was written off.
    let says_loss = mark.lost.is_some() || mark.lost_before.is_some();
    let is_said = |mut found: FeeMarked| {
        // Nor what had been given back before, and what of that as owed.
        if mark.given_back_before.is_none() {
            (found.given_back_before, found.returned, found.returned_before) = (None, None, None);
        }
        let as_said = FeeMarked { lost: None, lost_before: None, ..found.clone() };
        if says_loss { found == *mark } else { as_said == *mark }
    };
    let found = then.editions().any(|edition| {
        let judge = then.judge(&accounts, recorded, edition);
        judge.is_some_and(|judge| judge.marks().any(is_said))
    });
    (!found).then(|| {
        format!("of the fee claimed at position {} this could not be concluded", mark.fee.position)
    })
}

/// What is said of lines of the client's own that may not be asked for, and could not be concluded on what was known then.
pub(super) fn unshareable(
    then: &Then<'_>,
    id: AccountId,
    recorded: &Recorded,
    (number, lines): (u64, &[LineShare]),
) -> Option<String> {
    let (_, accounts) = then.payers();
    let of_invoice = &then.account(id)?.invoices.get(&number)?.lines;
    // One line alone leaves no question.
    let said = (1..).zip(of_invoice).zip(not_asked(lines)).filter(|_| of_invoice.len() > 1);
    let said: Vec<_> = said.collect();
    let found = then.editions().any(|edition| {
        let Some(judge) = then.judge(&accounts, recorded, edition) else { return false };
        let judged: BTreeMap<_, _> = judge.not_asked().collect();
        let mut own = said.iter().filter(|((_, line), _)| line.case == then.id);
        own.all(|((place, line), said)| {
            let nothing = NotAsked::nothing(Money::zero(line.amount.currency()));
            let found = judged.get(&(id, number, *place)).unwrap_or(&nothing);
            // Earlier software did not say since when what is kept of it was.
            let says_kept = said.kept.is_empty() || said.kept == found.kept;
            (found.exposed, found.unproved) == (said.exposed, said.unproved) && says_kept
        })
    });
    (!found)
        .then(|| format!("of its lines of invoice {number} something else may not be asked for"))
}

/// What of a decision to keep money of a fee cannot have been decided on what the ledger knew then.
pub(super) fn unkeepable(then: &Then<'_>, recorded: &Recorded, kept: &FeeKept) -> Option<String> {
    let (_, accounts) = then.payers();
    let before = then.case.keeping_of(&kept.fee).is_some();
    let is_fit = |fee: JudgedFee<'_>| {
        let most = fee.owed.above(fee.asked_back).minor() + fee.kept.minor();
        let gates: BTreeSet<_> = fee.closed.iter().copied().collect();
        let has_reason = if kept.amount.is_zero() { before } else { fee.exposed.is_positive() };
        has_reason
            && (0..=most).contains(&kept.amount.minor())
            && kept.amount.currency() == fee.exposed.currency()
            && (kept.exposed, &kept.gates) == (fee.exposed, &gates)
    };
    let fits = then.editions().any(|edition| {
        let judge = then.judge(&accounts, recorded, edition);
        judge.is_some_and(|judge| {
            judge.fees().find(|judged| judged.fee.mark.at == kept.fee).is_some_and(is_fit)
        })
    });
    (!fits).then(|| {
        let at = kept.fee.position;
        format!("of the fee claimed at position {at} this could not be kept")
    })
}

impl Then<'_> {
    /// The editions of the rules that software of the time may have judged by: a review by a new edition marks before it is
    /// noted, and what it noted last judges no longer.
    fn editions(&self) -> impl Iterator<Item = u32> + use<> {
        let least = self.firm.reviewed.as_ref().map_or(1, |reviewed| reviewed.edition);
        (least.min(EDITION)..=EDITION).rev()
    }

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
        edition: u32,
    ) -> Option<Judge<'a>> {
        let Then { id, case, firm, .. } = *self;
        let today = firm.registered.as_ref()?.zone.date_at(recorded.recorded_at.0);
        Some(Judge::of_edition(Matter { id, case, accounts, firm, today }, edition))
    }
}

/// Whether a fee names events that are what it says of them.
pub(super) fn check(told: &Told<'_>, earned: &Earned<'_>, rows: &mut Rows) {
    let position = earned.recorded.position;
    let name = format!("the fee of period {}", earned.fee.period);
    let before = told.events.partition_point(|recorded| recorded.position < position);
    let (is_corrected, then) = (!told.case.corrected.is_empty(), &told.events[..before]);
    let then = if is_corrected { domain::event::in_force(then) } else { told.events.to_vec() };
    for evidence in &earned.fee.evidence {
        if let Err(what) = rests_on(&then, earned.recorded, evidence) {
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
