//! What stands against an agreement before it is signed, and against a plan before it is sold.

use std::collections::BTreeSet;

use calendar::CivilDate;

use super::{Firm, Known, Place, SigningLaw, StandingAnswer, Unknown};
use crate::event::{Languages, StandingKind};
use crate::ids::StateCode;
use crate::refusal::Violation;
use crate::rules::{
    Barred, Bond, BondWhen, ContractItem, Dimension, FeeKind, Registration, RulePack, Security,
    listed,
};
use crate::terms::{FullyPerformed, PeriodKind, Terms};
use crate::value::Text;

/// An agreement as it is about to be signed.
#[derive(Clone, Copy, Debug)]
pub struct Prepared<'a> {
    /// Where it is.
    pub place: Place<'a>,
    /// What it promises.
    pub terms: &'a Terms,
    /// What its papers hold beside what federal law asks.
    pub items: &'a BTreeSet<ContractItem>,
    /// In which languages it is made, as far as it was said.
    pub languages: Option<&'a Languages>,
}

/// What is known of the papers of an agreement that was signed.
#[derive(Clone, Copy, Debug)]
pub struct Papers<'a> {
    /// What they hold; nothing if nobody said.
    pub items: Option<&'a BTreeSet<ContractItem>>,
    /// In which languages they are; nothing if nobody said.
    pub languages: Option<&'a Languages>,
}

fn against(rule: &str, state: StateCode, detail: String, cites: &Text) -> Violation {
    Violation { cites: cites.to_string(), detail, rule: rule.into(), subject: state.to_string() }
}

fn stands(answer: StandingAnswer<'_>) -> bool {
    matches!(answer, StandingAnswer::Stands(_))
}

fn has_lapsed(answer: StandingAnswer<'_>) -> bool {
    matches!(answer, StandingAnswer::TooSmall(_) | StandingAnswer::Lapsed(_))
}

fn unregistered(rule: &Registration, state: StateCode, on: CivilDate) -> Violation {
    let detail = format!("no registration valid on {on} is on file for {state}");
    against("registration", state, detail, &rule.cites)
}

fn prohibited(pack: &RulePack, state: StateCode) -> Option<Violation> {
    let rule = pack.prohibited.as_ref()?;
    let detail = format!("the trade is not allowed in {state}");
    Some(against("prohibited", state, detail, &rule.cites))
}

/// What of a plan's terms may not be agreed under a pack, whoever signs them.
fn too_long(pack: &RulePack, state: StateCode, terms: &Terms) -> Option<Violation> {
    let days = terms.estimated_days();
    let cap = pack.estimate_cap.as_ref().filter(|cap| !cap.allows(days))?;
    let (periods, most) = (terms.periods, cap.days);
    let detail =
        format!("{periods} periods are an estimate of {days} days, and {state} allows {most}");
    Some(against("estimate_cap", state, detail, &cap.cites))
}

/// What of a plan's terms bars a fee under a pack, whoever signs them.
fn of_fees(
    pack: &RulePack,
    state: StateCode,
    terms: &Terms,
    holds: impl Fn(ContractItem) -> bool,
) -> Vec<Violation> {
    let mut found = Vec::new();
    let reading = pack.reading(holds, terms.periods);
    let whole = reading.filter(|rule| rule.reading == FullyPerformed::WholeContract);
    if let Some(rule) = whole.filter(|_| terms.periods > 1) {
        let detail = format!(
            "a fee for each of {} periods is one before all agreed services are done, which {state} bars",
            terms.periods
        );
        found.push(against("early_fee", state, detail, &rule.cites));
    }
    let prices = [PeriodKind::First, PeriodKind::Later].map(|kind| terms.price(kind));
    for cap in pack.fee_caps.iter().flatten().filter(|cap| cap.of == FeeKind::Monthly) {
        // How many creditors there are is known of a client, and not of a plan or of papers.
        let above = prices.into_iter().find(|price| price.minor() > cap.most.minor());
        if let Some(price) = above {
            let most = cap.most;
            let detail = format!("{price} is above {most}, the most that {state} allows a month");
            found.push(against("fee_caps", state, detail, &cap.cites));
        }
    }
    found
}

/// What the papers lack of what a pack asks of them.
fn of_papers(
    pack: &RulePack,
    state: StateCode,
    holds: impl Fn(ContractItem) -> bool,
) -> Vec<Violation> {
    let mut found = Vec::new();
    let asked = pack.items_asked();
    let names_agent = asked.iter().any(|(_, items)| items.contains(&ContractItem::Agent));
    for (cites, items) in asked {
        let missing = listed(items.iter().filter(|item| !holds(**item)));
        if !missing.is_empty() {
            let detail = format!("the papers do not hold {missing}");
            found.push(against("contract_items", state, detail, cites));
        }
    }
    if let Some(rule) = pack.agent.as_ref().filter(|_| !names_agent && !holds(ContractItem::Agent))
    {
        let detail = format!("the papers name no agent for service in {state}");
        found.push(against("agent", state, detail, &rule.cites));
    }
    found
}

impl Firm {
    /// Everything that stands against preparing an agreement for its signing on a day.
    pub fn objections(&self, prepared: Prepared<'_>, on: CivilDate) -> Vec<Violation> {
        let mut found = Vec::new();
        let law =
            (self.law_of_signing(prepared.place, on), self.law_of_asking(prepared.place, on, on));
        let (Some(signing), Some(asking)) = law else {
            let detail = format!("no federal rule pack is in force on {on}");
            let subject = "firm".into();
            found.push(Violation { cites: String::new(), detail, rule: "packs".into(), subject });
            return found;
        };
        for known in [&signing.state, &asking.state] {
            let Known::Unknown(reasons) = known else { continue };
            found.extend(reasons.iter().map(|reason| Violation {
                cites: String::new(),
                detail: reason.to_string(),
                rule: "state_law".into(),
                subject: self.state_of(reason).map_or_else(|| "firm".into(), |of| of.to_string()),
            }));
        }
        let papers = Papers { items: Some(prepared.items), languages: prepared.languages };
        found.extend(self.against_signing(&signing, prepared.terms, papers, on));
        for pack in &signing.states {
            let state = pack.state.unwrap_or(prepared.place.state);
            found.extend(self.before_fees(pack, state, prepared.terms, on));
            found.extend(of_fees(pack, state, prepared.terms, |i| prepared.items.contains(&i)));
            if let Some(rule) = &pack.language
                && rule.is_kept(prepared.languages).is_none()
            {
                let languages = rule.rule.says();
                let detail =
                    format!("{state} asks for {languages}, and nobody has said in which they are");
                found.push(against("language", state, detail, &rule.cites));
            }
            for dimension in [Dimension::Agent, Dimension::Language] {
                // What is on no gate holds no fee, and an agreement that is not signed yet can wait for who reads it.
                if !pack.is_read(dimension) {
                    let reason = Unknown::Unread { pack: pack.reference(), dimension };
                    found.push(Violation {
                        cites: String::new(),
                        detail: reason.to_string(),
                        rule: "state_law".into(),
                        subject: state.to_string(),
                    });
                }
            }
            let consent = pack.dispute_consent.as_ref();
            let unmet =
                consent.filter(|rule| !rule.is_met_by_papers(|i| prepared.items.contains(&i)));
            found.extend(unmet.map(|rule| {
                let item = ContractItem::DisputeAuthorization;
                let detail =
                    format!("the papers do not hold {item}, without which no letter may go out");
                against("dispute_consent", state, detail, &rule.cites)
            }));
        }
        found.dedup();
        found
    }

    /// What the packs that somebody stands for bar a signing by: whoever signs against them breaks the law of their
    /// states. Of papers of which nobody has said what they hold, that is not known. What bars a fee is no breach yet.
    pub fn against_signing(
        &self,
        law: &SigningLaw<'_>,
        terms: &Terms,
        papers: Papers<'_>,
        on: CivilDate,
    ) -> Vec<Violation> {
        let mut found = Vec::new();
        for pack in &law.states {
            let Some(state) = pack.state else { continue };
            found.extend(prohibited(pack, state));
            found.extend(self.unregistered(pack, state, on, true));
            let always = pack.bond.iter().filter(|bond| bond.stands() == BondWhen::Always);
            found.extend(always.filter_map(|bond| self.no_bond(bond, state, on)));
            let always = pack.security.iter().flatten().filter(|rule| rule.is_asked(false));
            found.extend(always.filter_map(|rule| self.no_security(rule, state, terms, on)));
            found.extend(too_long(pack, state, terms));
            if let Some(rule) = &pack.language
                && rule.is_kept(papers.languages) == Some(false)
            {
                let languages = rule.rule.says();
                let detail = format!("{state} asks for {languages}, and they are in others");
                found.push(against("language", state, detail, &rule.cites));
            }
            if let Some(items) = papers.items {
                found.extend(of_papers(pack, state, |item| items.contains(&item)));
            }
        }
        found.dedup();
        found
    }

    /// Whether a pack asks for something that has to be on file on every day of the business.
    pub(crate) fn keeps_on_file(&self) -> bool {
        self.packs.iter().any(|adopted| {
            let RulePack { bond, registration, security, .. } = &adopted.pack;
            bond.as_ref().is_some_and(|bond| bond.stands() == BondWhen::Always)
                || security.iter().flatten().any(|rule| rule.is_asked(false))
                || registration.as_ref().is_some_and(|rule| rule.is_before(Barred::Business))
        })
    }

    /// What a pack asks to be on file on every day of the business, and is known not to have stood on one. Before the first
    /// day on record, that is not known.
    pub(crate) fn lapsed(
        &self,
        pack: &RulePack,
        state: StateCode,
        terms: &Terms,
        on: CivilDate,
    ) -> Vec<Violation> {
        let mut found = Vec::new();
        let registration = pack.registration.iter().filter(|rule| rule.is_before(Barred::Business));
        found.extend(registration.filter_map(|rule| {
            let answer = self.standing_on(state, StandingKind::Registration, on);
            has_lapsed(answer).then(|| unregistered(rule, state, on))
        }));
        let bond = pack.bond.iter().filter(|bond| bond.stands() == BondWhen::Always);
        let bond = bond.filter(|bond| has_lapsed(self.bond_on(state, bond.amount, on)));
        found.extend(bond.filter_map(|bond| self.no_bond(bond, state, on)));
        let rules = pack.security.iter().flatten().filter(|rule| rule.is_asked(false));
        let rules = rules.filter(|rule| {
            has_lapsed(self.any_security_on(state, rule, rule.amount.enough(terms), on))
        });
        found.extend(rules.filter_map(|rule| self.no_security(rule, state, terms, on)));
        found
    }

    /// What a pack asks the firm to have on file on a day for fees alone.
    fn before_fees(
        &self,
        pack: &RulePack,
        state: StateCode,
        terms: &Terms,
        on: CivilDate,
    ) -> Vec<Violation> {
        let mut found: Vec<Violation> =
            self.unregistered(pack, state, on, false).into_iter().collect();
        let paid_early = terms.periods > 1;
        let bond = pack.bond.iter().filter(|bond| bond.stands() != BondWhen::Always && paid_early);
        found.extend(bond.filter_map(|bond| self.no_bond(bond, state, on)));
        let rules = pack.security.iter().flatten();
        let early = rules.filter(|rule| !rule.is_asked(false) && rule.is_asked(paid_early));
        found.extend(early.filter_map(|rule| self.no_security(rule, state, terms, on)));
        found
    }

    /// No registration is on file that has to be, before a contract or only for what comes after it.
    fn unregistered(
        &self,
        pack: &RulePack,
        state: StateCode,
        on: CivilDate,
        before_contract: bool,
    ) -> Option<Violation> {
        let rule = pack.registration.as_ref()?;
        let is_asked = rule.is_before(Barred::Contract) == before_contract;
        let answer = self.standing_on(state, StandingKind::Registration, on);
        (is_asked && !stands(answer)).then(|| unregistered(rule, state, on))
    }

    fn no_bond(&self, bond: &Bond, state: StateCode, on: CivilDate) -> Option<Violation> {
        let amount = bond.amount;
        (!stands(self.bond_on(state, amount, on))).then(|| {
            let detail = format!("no bond of {amount} valid on {on} is on file for {state}");
            against("bond", state, detail, &bond.cites)
        })
    }

    fn no_security(
        &self,
        rule: &Security,
        state: StateCode,
        terms: &Terms,
        on: CivilDate,
    ) -> Option<Violation> {
        let amount = rule.amount.enough(terms);
        let kinds = rule.kinds.iter().copied();
        let standing =
            kinds.filter(|kind| stands(self.security_on(state, *kind, amount, on))).collect();
        (!rule.is_served_by(&standing)).then(|| {
            let kinds = rule.kinds_named();
            let detail = format!("no {kinds} of {amount} valid on {on} is on file for {state}");
            against("security", state, detail, &rule.cites)
        })
    }

    /// The states whose adopted packs, in force on a day, a plan's terms do not fit, and why.
    pub fn misfits(&self, terms: &Terms, on: CivilDate) -> Vec<Violation> {
        let states: BTreeSet<StateCode> = self.packs.iter().filter_map(|a| a.pack.state).collect();
        let of_state = states.into_iter().filter_map(|state| self.pack_on(Some(state), on));
        of_state
            .flat_map(|adopted| {
                let Some(state) = adopted.pack.state else { return Vec::new() };
                let banned = prohibited(&adopted.pack, state);
                // What the papers may hold is for the signing; a plan that could be sold with the right ones fits.
                let of_fees = of_fees(&adopted.pack, state, terms, |_| true);
                let too_long = too_long(&adopted.pack, state, terms);
                banned.into_iter().chain(too_long).chain(of_fees).collect()
            })
            .collect()
    }
}
