//! What stands against an agreement before it is signed, and against a plan before it is sold.

use std::collections::BTreeSet;

use calendar::CivilDate;

use super::{Firm, Known, Place, StandingAnswer};
use crate::event::StandingKind;
use crate::ids::StateCode;
use crate::refusal::Violation;
use crate::rules::{BondWhen, ContractItem, FeeKind, RulePack, listed};
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
}

fn against(rule: &str, state: StateCode, detail: String, cites: &Text) -> Violation {
    Violation { cites: cites.to_string(), detail, rule: rule.into(), subject: state.to_string() }
}

fn prohibited(pack: &RulePack, state: StateCode) -> Option<Violation> {
    let rule = pack.prohibited.as_ref()?;
    let detail = format!("the trade is not allowed in {state}");
    Some(against("prohibited", state, detail, &rule.cites))
}

/// What a pack asks of a plan's terms, whoever signs them.
fn of_terms(
    pack: &RulePack,
    state: StateCode,
    terms: &Terms,
    holds: impl Fn(ContractItem) -> bool,
) -> Vec<Violation> {
    let mut found = Vec::new();
    let days = terms.estimated_days();
    if let Some(cap) = pack.estimate_cap.as_ref().filter(|cap| !cap.allows(days)) {
        let (periods, most) = (terms.periods, cap.days);
        let detail =
            format!("{periods} periods are an estimate of {days} days, and {state} allows {most}");
        found.push(against("estimate_cap", state, detail, &cap.cites));
    }
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
        for pack in &signing.states {
            let state = pack.state.unwrap_or(prepared.place.state);
            found.extend(self.of_firm(pack, state, prepared.terms, on));
            found.extend(of_terms(pack, state, prepared.terms, |i| prepared.items.contains(&i)));
            let consent = pack.dispute_consent.as_ref();
            let unmet =
                consent.filter(|rule| !rule.is_met_by_papers(|i| prepared.items.contains(&i)));
            found.extend(unmet.map(|rule| {
                let item = ContractItem::DisputeAuthorization;
                let detail =
                    format!("the papers do not hold {item}, without which no letter may go out");
                against("dispute_consent", state, detail, &rule.cites)
            }));
            for (cites, items) in pack.items_asked() {
                let missing = items.iter().filter(|item| !prepared.items.contains(item));
                let missing = listed(missing);
                if !missing.is_empty() {
                    let detail = format!("the papers do not hold {missing}");
                    found.push(against("contract_items", state, detail, cites));
                }
            }
        }
        found.dedup();
        found
    }

    /// What a pack asks the firm to have on file on the day.
    fn of_firm(
        &self,
        pack: &RulePack,
        state: StateCode,
        terms: &Terms,
        on: CivilDate,
    ) -> Vec<Violation> {
        let mut found = Vec::new();
        let stands = |answer: StandingAnswer<'_>| matches!(answer, StandingAnswer::Stands(_));
        found.extend(prohibited(pack, state));
        if let Some(rule) = &pack.registration
            && !stands(self.standing_on(state, StandingKind::Registration, on))
        {
            let detail = format!("no registration valid on {on} is on file for {state}");
            found.push(against("registration", state, detail, &rule.cites));
        }
        let paid_early = terms.periods > 1;
        if let Some(bond) = &pack.bond
            && (paid_early || bond.stands() == BondWhen::Always)
            && !stands(self.bond_on(state, bond.amount, on))
        {
            let amount = bond.amount;
            let detail = format!("no bond of {amount} valid on {on} is on file for {state}");
            found.push(against("bond", state, detail, &bond.cites));
        }
        for security in pack.security.iter().flatten().filter(|rule| rule.is_asked(paid_early)) {
            let amount = security.amount.enough(terms);
            let kinds = security.kinds.iter().copied();
            let standing =
                kinds.filter(|kind| stands(self.security_on(state, *kind, amount, on))).collect();
            if !security.is_served_by(&standing) {
                let kinds = security.kinds_named();
                let detail = format!("no {kinds} of {amount} valid on {on} is on file for {state}");
                found.push(against("security", state, detail, &security.cites));
            }
        }
        found
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
                let of_terms = of_terms(&adopted.pack, state, terms, |_| true);
                banned.into_iter().chain(of_terms).collect()
            })
            .collect()
    }
}
