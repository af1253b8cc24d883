//! How each gate is judged.

use calendar::{CivilDate, Period};

use super::{Finding, Gate, Judgement, WorkFinding};
use crate::account::PaymentPath;
use crate::case::{Agreement, Case, Listing, Mark};
use crate::event::{EventRef, StandingKind};
use crate::money::Money;
use crate::rules::Rules;
use crate::terms::{FullyPerformed, Work};

/// One period under judgement.
pub(super) struct View<'a> {
    pub(super) judgement: &'a Judgement<'a>,
    pub(super) period: Period,
    pub(super) agreement: Option<&'a Agreement>,
    pub(super) work: &'a [WorkFinding],
    pub(super) amount: Option<Money>,
}

/// What a gate found, before it is dressed with its citation.
struct Verdict {
    holds: bool,
    because: String,
    cites: Option<String>,
    events: Vec<EventRef>,
    not_before: Option<CivilDate>,
}

fn verdict(holds: bool, because: impl Into<String>) -> Verdict {
    Verdict { holds, because: because.into(), cites: None, events: Vec::new(), not_before: None }
}

impl Verdict {
    fn citing(mut self, cites: &impl ToString) -> Self {
        self.cites = Some(cites.to_string());
        self
    }

    fn resting_on<'m>(mut self, marks: impl IntoIterator<Item = &'m Mark>) -> Self {
        self.events.extend(marks.into_iter().map(|mark| mark.at.clone()));
        self
    }

    fn not_before(mut self, day: CivilDate) -> Self {
        self.not_before = Some(day);
        self
    }
}

impl<'a> View<'a> {
    pub(super) fn check(&self, gate: Gate) -> Finding {
        let verdict = match (gate, self.agreement) {
            (Gate::Disclosure, agreement) => self.disclosure(agreement),
            (Gate::NotClaimed, _) => self.not_claimed(),
            (Gate::Agreement, Some(agreement)) => in_force(agreement),
            (Gate::WaitingDays, Some(_)) => self.waiting_days(),
            (Gate::FullyPerformed, Some(agreement)) => self.fully_performed(agreement),
            (Gate::Telemarketing, Some(agreement)) => self.telemarketing(&agreement.rules),
            (Gate::State, Some(agreement)) => self.state(agreement, &agreement.rules),
            (Gate::Total, Some(agreement)) => self.total(agreement),
            (_, None) => self.no_agreement(),
        };
        Finding {
            gate,
            holds: verdict.holds,
            because: verdict.because,
            cites: verdict.cites.unwrap_or_else(|| statute(gate).into()),
            events: verdict.events,
            not_before: verdict.not_before,
        }
    }

    fn case(&self) -> &'a Case {
        self.judgement.case
    }

    fn as_of(&self) -> CivilDate {
        self.judgement.as_of
    }

    fn no_agreement(&self) -> Verdict {
        match self.case().agreements.last().and_then(|a| a.cancelled.as_ref()) {
            Some(mark) => {
                verdict(false, format!("cancelled in the cancellation days, on {}", mark.on))
                    .resting_on([mark])
            }
            None => verdict(false, "no agreement is signed"),
        }
    }

    fn disclosure(&self, agreement: Option<&Agreement>) -> Verdict {
        let Some(acknowledged) = &self.case().disclosure_acknowledged else {
            return verdict(false, "the federal disclosure was never acknowledged");
        };
        let Some(agreement) = agreement else {
            let because = format!("acknowledged on {}; no agreement is signed", acknowledged.on);
            return verdict(false, because).resting_on([acknowledged]);
        };
        let signed = &agreement.mark;
        // On one day the order of recording decides: the log has no time of day for facts.
        let before = (acknowledged.on, acknowledged.at.position) < (signed.on, signed.at.position);
        let because =
            format!("acknowledged on {}, agreement signed on {}", acknowledged.on, signed.on);
        verdict(before, because).resting_on([acknowledged, signed])
    }

    /// Service is judged by the agreements of the whole case, so a renewal does not make work under
    /// the agreement before it early.
    fn waiting_days(&self) -> Verdict {
        let early: Vec<&Mark> =
            self.case().service.iter().filter(|m| self.case().is_early(m.on)).collect();
        let from = self
            .case()
            .agreements
            .iter()
            .filter(|a| a.cancelled.is_none())
            .map(|a| a.service_from)
            .min();
        let from = from.map_or_else(String::new, |from| format!("; service may begin on {from}"));
        match early.first() {
            None => verdict(true, format!("no service came before the days ended{from}")),
            Some(first) => verdict(false, format!("service was performed on {}{from}", first.on))
                .resting_on(early),
        }
    }

    fn fully_performed(&self, agreement: &Agreement) -> Verdict {
        let rule = &agreement.rules.performance;
        let found = match rule.reading {
            FullyPerformed::EachPeriod => self.period_complete(),
            FullyPerformed::WholeContract => self.contract_complete(agreement),
        };
        found.citing(&rule.cites)
    }

    fn period_complete(&self) -> Verdict {
        let marks: Vec<&Mark> = self.work.iter().filter_map(|w| w.done.as_ref()).collect();
        let over = period_over(self.case(), self.period, self.as_of());
        let missing: Vec<&str> =
            self.work.iter().filter(|w| w.done.is_none()).map(|w| w.work.code()).collect();
        match over {
            Err(because) => verdict(false, because).resting_on(marks).not_before(self.period.end),
            Ok(()) if self.work.is_empty() => verdict(false, "the plan promises no work for it"),
            Ok(()) if !missing.is_empty() => {
                verdict(false, format!("not evidenced: {}", missing.join(", "))).resting_on(marks)
            }
            Ok(()) => {
                let late =
                    self.work.iter().filter_map(|w| w.done.as_ref()).filter(|m| m.late).count();
                let note =
                    if late == 0 { String::new() } else { format!("; {late} of it recorded late") };
                let because = format!(
                    "over on {}, all {} pieces of work done{note}",
                    self.period.end,
                    marks.len()
                );
                verdict(true, because).resting_on(marks)
            }
        }
    }

    /// The strict reading: every period of the contract is over and complete.
    fn contract_complete(&self, agreement: &Agreement) -> Verdict {
        let mut marks = Vec::new();
        for number in 1..=agreement.terms.periods {
            let Some(period) = self.case().schedule.as_ref().and_then(|s| s.period(number)) else {
                return verdict(false, format!("period {number} has not begun"));
            };
            if let Err(because) = period_over(self.case(), period, self.as_of()) {
                return verdict(false, format!("period {number}: {because}"))
                    .not_before(period.end);
            }
            let work = self.judgement.work(number);
            if self.case().closed.contains_key(&number) {
                return verdict(false, format!("period {number} was given up"));
            }
            if let Some(missing) = work.iter().find(|w| w.done.is_none()) {
                return verdict(
                    false,
                    format!("period {number}: {} is not evidenced", missing.work),
                );
            }
            marks.extend(work.into_iter().filter_map(|w| w.done));
        }
        let because =
            format!("all {} periods of the contract are complete", agreement.terms.periods);
        verdict(true, because).resting_on(&marks)
    }

    fn not_claimed(&self) -> Verdict {
        let number = self.period.number;
        if let Some(fee) = self.case().earned.get(&number) {
            return verdict(false, format!("claimed on {}", fee.mark.on)).resting_on([&fee.mark]);
        }
        match self.case().closed.get(&number) {
            Some(mark) => verdict(false, format!("given up on {}", mark.on)).resting_on([mark]),
            None => verdict(true, "neither claimed nor given up"),
        }
    }

    fn telemarketing(&self, rules: &Rules) -> Verdict {
        let rule = &rules.telemarketing;
        let Some(enrolment) = &self.case().enrolment else {
            return verdict(false, "nobody enrolled");
        };
        let sale = &enrolment.sale;
        if rule.exempts(sale) {
            let because = format!("not telemarketing: {} sale, with evidence", sale.channel);
            return verdict(true, because).citing(&rule.cites).resting_on([&enrolment.mark]);
        }
        self.results_shown(enrolment.mark.on, sale.promised_days).citing(&rule.cites)
    }

    fn results_shown(&self, enrolled_on: CivilDate, promised_days: u16) -> Verdict {
        let frame_ends =
            calendar::BusinessCalendar::EveryDay.add_business_days(enrolled_on, promised_days);
        if self.as_of() <= frame_ends {
            let because = format!("the promised time frame runs to {frame_ends}");
            return verdict(false, because)
                .not_before(calendar::BusinessCalendar::EveryDay.add_business_days(frame_ends, 1));
        }
        let results: Vec<&Listing> = self
            .case()
            .listings
            .values()
            .map(AsRef::as_ref)
            .filter(|l| l.status.is_result() && l.since.on <= self.as_of())
            .collect();
        if results.is_empty() {
            return verdict(false, "no result has been achieved that a report could show");
        }
        if let Some(open) =
            results.iter().find(|l| l.shown.as_ref().is_none_or(|mark| mark.on > self.as_of()))
        {
            let from = calendar::telemarketing_report_from(open.since.on);
            let because = format!(
                "the result of {} needs a report issued on {from} or later that shows it",
                open.since.on
            );
            return verdict(false, because).resting_on([&open.since]).not_before(from);
        }
        let shown = results.iter().filter_map(|l| l.shown.as_ref());
        let latest = shown.clone().map(|mark| mark.on).max();
        let told = |w: &&crate::case::WorkDone| {
            w.work == Work::ProgressReport && Some(w.mark.on) >= latest && w.mark.on <= self.as_of()
        };
        match self.case().work.iter().find(told) {
            Some(report) => {
                verdict(true, "the time frame is over and later reports show every result")
                    .resting_on(shown.chain([&report.mark]))
            }
            None => {
                verdict(false, "the report that shows the results was not yet given to the client")
                    .resting_on(shown)
            }
        }
    }

    fn state(&self, agreement: &Agreement, rules: &Rules) -> Verdict {
        let state = agreement.state;
        if let Some(rule) = &rules.prohibited {
            return verdict(false, format!("the trade is not allowed in {state}"))
                .citing(&rule.cites);
        }
        let standing = |kind| self.judgement.firm.standing(state, kind, self.as_of());
        if let Some(rule) = &rules.registration
            && standing(StandingKind::Registration).is_none()
        {
            let because =
                format!("no registration valid on {} is on file for {state}", self.as_of());
            return verdict(false, because).citing(&rule.cites);
        }
        if let Some(rule) = &rules.bond {
            let amount = standing(StandingKind::Bond).and_then(|bond| bond.amount);
            if amount.is_none_or(|amount| amount.minor() < rule.amount.minor()) {
                let because = format!(
                    "no bond of {} valid on {} is on file for {state}",
                    rule.amount,
                    self.as_of()
                );
                return verdict(false, because).citing(&rule.cites);
            }
        }
        if let Some(late) = self.performed_too_late(agreement, rules) {
            return late;
        }
        if let Some(rule) = &rules.monthly_statement
            && !self.has_statement()
        {
            let because = "no statement of the services performed was sent for the period";
            return verdict(false, because).citing(&rule.cites);
        }
        verdict(true, format!("nothing in {} stands against it in {state}", pack_names(rules)))
    }

    fn performed_too_late(&self, agreement: &Agreement, rules: &Rules) -> Option<Verdict> {
        let rule = rules.perform_within.as_ref()?;
        let last =
            calendar::BusinessCalendar::EveryDay.add_business_days(agreement.mark.on, rule.days);
        let late = self.work.iter().filter_map(|w| w.done.as_ref()).find(|mark| mark.on > last)?;
        let because =
            format!("work of {} came after {last}, {} days from signing", late.on, rule.days);
        Some(verdict(false, because).citing(&rule.cites).resting_on([late]))
    }

    fn has_statement(&self) -> bool {
        self.case().work.iter().any(|w| {
            w.work == Work::ProgressReport
                && self.period.start <= w.mark.on
                && w.mark.on <= self.as_of()
        })
    }

    fn total(&self, agreement: &Agreement) -> Verdict {
        let Some(amount) = self.amount else { return verdict(false, "the fee is not known") };
        if let PaymentPath::Elsewhere = self.judgement.account.path_of(self.judgement.id) {
            return verdict(false, "another account pays for this case");
        }
        let already = self.case().earned.contains_key(&self.period.number);
        let claimed = self.case().earned_minor() + if already { 0 } else { amount.minor() };
        let total = agreement.total_of_payments;
        let sum = Money::new(claimed, amount.currency());
        let within =
            sum.is_ok_and(|sum| sum.currency() == total.currency() && sum.minor() <= total.minor());
        let sum = sum.map_or_else(|e| e.to_string(), |sum| sum.to_string());
        verdict(within, format!("{sum} of {total} with this fee")).resting_on([&agreement.mark])
    }
}

fn in_force(agreement: &Agreement) -> Verdict {
    let because = format!(
        "signed on {}, cancellation days over after {}",
        agreement.mark.on, agreement.cancel_through
    );
    verdict(true, because).resting_on([&agreement.mark])
}

/// Whether a period is over by a day. One that the end of the service cuts short never is.
fn period_over(case: &Case, period: Period, as_of: CivilDate) -> Result<(), String> {
    if let Some(ended) = &case.ended
        && ended.mark.on < period.end
    {
        return Err(format!("the service ended on {}, before the period did", ended.mark.on));
    }
    if case.paused.is_some()
        && !case.schedule.as_ref().is_some_and(|s| s.ended_by(as_of).contains(&period))
    {
        return Err("the service is paused".into());
    }
    if as_of < period.end { Err(format!("the period runs to {}", period.end)) } else { Ok(()) }
}

fn pack_names(rules: &Rules) -> String {
    let names: Vec<String> =
        rules.packs.iter().map(|p| format!("{} version {}", p.code, p.version)).collect();
    names.join(" and ")
}

/// The federal statute behind a gate.
const fn statute(gate: Gate) -> &'static str {
    match gate {
        Gate::Disclosure => "15 USC 1679c(a)",
        Gate::Agreement => "15 USC 1679d, 1679e",
        Gate::WaitingDays => "15 USC 1679d(a)(2)",
        Gate::FullyPerformed => "15 USC 1679b(b)",
        Gate::NotClaimed => "15 USC 1679b(a)(4)",
        Gate::Telemarketing => "16 CFR 310.4(a)(2)",
        Gate::State => "15 USC 1679j",
        Gate::Total => "15 USC 1679d(b)(1)",
    }
}
