//! The table of what a pack states: for each dimension its member, its words and its statute.

use super::{
    Anchor, Bond, BondWhen, Cancellation, ConsentRule, ContractItem, Dimension, EarlyFeeRule,
    FeeCap, Keep, Registration, RulePack, Security, StateStatement, StatementDuty,
};
use crate::value::Text;

/// One rule of a pack.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stated<'a> {
    /// The statute.
    pub cites: &'a Text,
    /// What it rules on.
    pub dimension: Dimension,
    /// The member of the pack that states it.
    pub member: &'static str,
    /// What it asks, in words.
    pub requirement: String,
}

impl RulePack {
    /// What it states, rule by rule.
    pub fn rules(&self) -> Vec<Stated<'_>> {
        let mut rules = Vec::new();
        let mut add = |dimension, member, cites, requirement| {
            rules.push(Stated { cites, dimension, member, requirement });
        };
        if let Some(r) = &self.cancellation {
            add(Dimension::Cancellation, "cancellation", &r.cites, cancellation(r));
        }
        if let Some(r) = &self.performance {
            let says = format!("fully performed: {}", r.reading);
            add(Dimension::Performance, "performance", &r.cites, says);
        }
        if let Some(r) = &self.early_fee {
            let says = early_fee(r.rule, r.plan_months);
            add(Dimension::Performance, "early_fee", &r.cites, says);
        }
        if let Some(r) = &self.telemarketing {
            let exempt: Vec<&str> = r.exempt.iter().map(|channel| channel.code()).collect();
            let says = format!("exempt with evidence: {}", exempt.join(", "));
            add(Dimension::Telemarketing, "telemarketing", &r.cites, says);
        }
        if let Some(r) = &self.perform_within {
            let ongoing = match r.unless_ongoing {
                Some(true) => {
                    ", unless the agreement goes on by periodic payments and may be cancelled at any time"
                }
                Some(false) | None => "",
            };
            let says = format!("all services within {} days of signing{ongoing}", r.days);
            add(Dimension::PerformWithin, "perform_within", &r.cites, says);
        }
        if let Some(r) = &self.registration {
            add(Dimension::Registration, "registration", &r.cites, registration(r));
        }
        if let Some(r) = &self.bond {
            add(Dimension::Security, "bond", &r.cites, bond(r));
        }
        for r in self.security.iter().flatten() {
            add(Dimension::Security, "security", &r.cites, security(r));
        }
        if let Some(r) = &self.monthly_statement {
            add(Dimension::MonthlyStatement, "monthly_statement", &r.cites, monthly_statement(r));
        }
        if let Some(r) = &self.prohibited {
            add(Dimension::Prohibited, "prohibited", &r.cites, "not allowed here".into());
        }
        if let Some(r) = &self.estimate_cap {
            let says = format!("the agreement estimates at most {} days", r.days);
            add(Dimension::EstimateCap, "estimate_cap", &r.cites, says);
        }
        for r in self.fee_caps.iter().flatten() {
            add(Dimension::FeeCap, "fee_caps", &r.cites, fee_cap(r));
        }
        if let Some(r) = &self.contract_items {
            let says = format!("the agreement holds {}", listed(r.items.iter()));
            add(Dimension::ContractItems, "contract_items", &r.cites, says);
        }
        if let Some(r) = &self.statement {
            add(Dimension::Statement, "statement", &r.cites, statement(r));
        }
        if let Some(r) = &self.reach {
            let says = format!("reaches by {}", listed(r.limbs.iter()));
            add(Dimension::Reach, "reach", &r.cites, says);
        }
        if let Some(r) = &self.refund_within {
            let says = format!("money back within {} days of the cancellation's receipt", r.days);
            add(Dimension::RefundWithin, "refund_within", &r.cites, says);
        }
        if let Some(r) = &self.cancel_any_time {
            let notice =
                r.notice_days.map_or(String::new(), |days| format!(", on {days} days' notice"));
            let says = format!("the client may cancel at any time{notice}");
            add(Dimension::CancelAnyTime, "cancel_any_time", &r.cites, says);
        }
        if let Some(r) = &self.dispute_consent {
            let says = dispute_consent(r.rule);
            let removed = r.after_removal_days.map_or(String::new(), |days| {
                format!("; nothing is disputed more than {days} days after it left the report")
            });
            let cut = if r.identifiers_cut == Some(true) { "; identifiers are cut" } else { "" };
            let says = format!("{says}{removed}{cut}");
            add(Dimension::DisputeConsent, "dispute_consent", &r.cites, says);
        }
        for r in self.keep.iter().flatten() {
            add(Dimension::Keep, "keep", &r.cites, keep(r));
        }
        if let Some(r) = &self.language {
            add(Dimension::Language, "language", &r.cites, format!("papers {}", r.rule));
        }
        if let Some(r) = &self.agent {
            add(Dimension::Agent, "agent", &r.cites, "an agent for service in the state".into());
        }
        if let Some(r) = &self.exempt {
            let only = r.only.as_ref().map_or(String::new(), |only| format!("; {only}"));
            let says = format!("outside the act: {}{only}", listed(r.kinds.iter()));
            add(Dimension::Exempt, "exempt", &r.cites, says);
        }
        if let Some(r) = &self.advertising {
            add(Dimension::Advertising, "advertising", &r.cites, r.says.to_string());
        }
        if let Some(r) = &self.remedy {
            add(Dimension::Remedy, "remedy", &r.cites, r.says.to_string());
        }
        rules
    }

    /// What an agreement has to hold, and what goes with it, each with its statute.
    pub fn items_asked(&self) -> Vec<(&Text, Vec<ContractItem>)> {
        let items = self.contract_items.iter();
        let items = items.map(|rule| (&rule.cites, rule.items.iter().copied().collect()));
        let statement = self.statement.iter();
        items
            .chain(statement.map(|rule| (&rule.cites, vec![ContractItem::StateStatement])))
            .collect()
    }

    /// Where a dimension was read: of what, in which edition.
    pub fn read_in(&self, dimension: Dimension) -> Option<(&Text, &Text)> {
        let source = self.sources.iter().flatten().find(|s| s.dimensions.contains(&dimension))?;
        Some((&source.source, &source.edition))
    }
}

/// Words of a closed set, one after the other.
pub(crate) fn listed<T: ToString>(words: impl Iterator<Item = T>) -> String {
    let words: Vec<String> = words.map(|word| word.to_string().replace('_', " ")).collect();
    words.join(", ")
}

fn cancellation(rule: &Cancellation) -> String {
    let days = match rule.calendar {
        calendar::BusinessCalendar::EveryDay => "days",
        calendar::BusinessCalendar::FederalOffice => "business days of federal offices",
        calendar::BusinessCalendar::RegulationZRescission => "business days, Saturdays among them",
        calendar::BusinessCalendar::FederalReserveBanking => "business days of banks",
    };
    let anchor = match rule.anchor {
        Some(Anchor::FromSigning) => ", the day of signing among them",
        Some(Anchor::AfterSigning) | None => "",
    };
    let closed = rule.closed_days.as_ref().map_or(String::new(), |closed| {
        format!("; these days do not count: {}", listed(closed.iter()))
    });
    let form = rule.form.as_ref().map_or(String::new(), |form| format!("; the form: {form}"));
    format!("the client may cancel for {} {days}{anchor}{closed}{form}", rule.days)
}

fn early_fee(rule: EarlyFeeRule, plan_months: Option<u16>) -> String {
    match rule {
        EarlyFeeRule::PerService => "a fee for a service that is done".into(),
        EarlyFeeRule::Subscription => {
            "periodic fees only under an agreement that may be cancelled at any time".into()
        }
        EarlyFeeRule::Plan => format!(
            "instalments only by an approved plan of at most {} months",
            plan_months.unwrap_or(0)
        ),
        EarlyFeeRule::WithSecurity => {
            "no fee before all agreed services are done, unless security stands".into()
        }
        EarlyFeeRule::Ban => "no fee before all agreed services are done".into(),
    }
}

fn registration(rule: &Registration) -> String {
    let kind = rule.kind.map_or("registration or licence", |kind| kind.code());
    let with = rule.with.as_ref().map_or(String::new(), |with| format!(" with {with}"));
    let bars = rule
        .bars
        .as_ref()
        .map_or(String::new(), |bars| format!(", before {}", listed(bars.iter())));
    let term = rule.term_years.map_or(String::new(), |years| format!(", for {years} year(s)"));
    let ends = rule
        .ends_on
        .as_ref()
        .map_or(String::new(), |end| format!(", to {:02}-{:02} of the year", end.month, end.day));
    let told = rule.update_days.map_or(String::new(), |d| format!(", changes told in {d} days"));
    let approved = rule
        .approval_days
        .map_or(String::new(), |days| format!(", some changes approved {days} days before"));
    format!("{kind} on file{with}{bars}{term}{ends}{told}{approved}")
}

const fn when(when: BondWhen) -> &'static str {
    match when {
        BondWhen::Always => "at all times",
        BondWhen::IfPaidBeforeAllDone => "if anything is paid before all work is done",
    }
}

fn bond(rule: &Bond) -> String {
    format!("a bond of {}, {}", rule.amount, when(rule.stands()))
}

fn security(rule: &Security) -> String {
    let amount = &rule.amount;
    let most = amount.most.map_or(String::new(), |most| format!(", at most {most}"));
    let measured = match (amount.of, amount.per_cent) {
        (Some(of), Some(per_cent)) => {
            format!(
                " of {per_cent} % of {}, at least {}{most}",
                of.code().replace('_', " "),
                amount.least
            )
        }
        (_, _) => format!(" of {}", amount.least),
    };
    let each = if rule.per_location == Some(true) { ", for each location" } else { "" };
    let filed =
        rule.filed_with.as_ref().map_or(String::new(), |with| format!(", filed with {with}"));
    let step = amount.step.map_or(String::new(), |step| format!(", up to the next full {step}"));
    let adjusted = rule.adjusted_by_day.map_or(String::new(), |day| {
        format!(", adjusted each fiscal year by day {day} of its first month")
    });
    let tail =
        rule.tail_years.map_or(String::new(), |y| format!(", kept {y} years after business ends"));
    format!(
        "{}{measured}{step}, {}{each}{filed}{adjusted}{tail}",
        rule.kinds_named(),
        when(rule.when)
    )
}

fn monthly_statement(rule: &StatementDuty) -> String {
    let later = match rule.days_after_work() {
        0 => String::new(),
        days => format!(", or within {days} days after its last work"),
    };
    let tells = rule
        .contents
        .as_ref()
        .map_or(String::new(), |contents| format!("; it tells of {}", listed(contents.iter())));
    format!("a statement of the services performed, in every period{later}{tells}")
}

fn fee_cap(rule: &FeeCap) -> String {
    let each = rule
        .per_creditor
        .map_or(String::new(), |each| format!(", or {each} for each creditor if less"));
    format!("at most {} {}{each}", rule.most, rule.of.code().replace('_', " "))
}

fn statement(rule: &StateStatement) -> String {
    let said = |is: Option<bool>, words: &'static str| if is == Some(true) { words } else { "" };
    format!(
        "a statement of the state's own before the agreement{}{}{}",
        said(rule.own_text, ", in the statute's words"),
        said(rule.separate, ", on a separate sheet"),
        said(rule.signed, ", signed")
    )
}

fn dispute_consent(rule: ConsentRule) -> &'static str {
    match rule {
        ConsentRule::Knowledge => "nothing is disputed without the client's knowledge",
        ConsentRule::ContractAuthorization => {
            "nothing is written without prior written authorization, which a clause of the contract gives"
        }
        ConsentRule::ItemBasis => {
            "nothing is disputed without the client's basis in writing for that entry"
        }
        ConsentRule::ItemBasisAndStatement => {
            "nothing is disputed without a factual basis and a written statement of the client for that entry"
        }
    }
}

fn keep(rule: &Keep) -> String {
    let (what, from) = (rule.what.code(), rule.from.code().replace('_', " "));
    format!("{what} kept {} years from {from}", rule.years)
}
