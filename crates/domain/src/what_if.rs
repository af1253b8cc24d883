//! What another rule pack would have said of fees that were claimed: a firm finds its exposure before
//! somebody else does. Nothing is changed by asking, and no pack is legal advice.

use std::sync::Arc;

use crate::account::Account;
use crate::case::{Agreement, Case, EarnedFee};
use crate::firm::Firm;
use crate::gates::{Explanation, Finding, Gate, Judgement};
use crate::ids::CaseId;
use crate::rules::{RulePack, Rules};

/// The case as it would stand if its agreements had been signed under a pack as well: the pack takes
/// the place of the one of its jurisdiction, the other one stays. Nothing if it concerns none of them.
pub fn under(case: &Case, firm: &Firm, pack: &RulePack) -> Option<Case> {
    let mut changed = case.clone();
    let mut any = false;
    for agreement in Arc::make_mut(&mut changed.agreements) {
        if let Some(rules) = rules_under(agreement, firm, pack) {
            (agreement.cancel_through, agreement.service_from) =
                rules.cancellation_window(agreement.mark.on);
            agreement.rules = rules;
            any = true;
        }
    }
    any.then_some(changed)
}

fn rules_under(agreement: &Agreement, firm: &Firm, pack: &RulePack) -> Option<Rules> {
    if pack.state.is_some_and(|state| state != agreement.state) {
        return None;
    }
    let signed_under = |of_state: bool| {
        let named = |known: &&RulePack| agreement.rules.packs.contains(&known.reference());
        let adopted = firm.packs.iter().rev().map(|adopted| &adopted.pack).filter(named);
        adopted.into_iter().find(|known| known.state.is_some() == of_state)
    };
    let (federal, state) = match pack.state {
        None => (pack, signed_under(true)),
        Some(_) => (signed_under(false)?, Some(pack)),
    };
    Rules::merge(federal, state, agreement.mark.on)
}

/// A fee that was claimed and that a pack would not have allowed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Disallowed {
    /// The fee as it was claimed.
    pub fee: EarnedFee,
    /// How it would have been judged.
    pub explanation: Explanation,
}

impl Disallowed {
    /// The gates that would have been closed, each with its citation.
    pub fn closed(&self) -> impl Iterator<Item = &Finding> {
        self.explanation.findings.iter().filter(|finding| !finding.holds)
    }
}

/// Judges a claimed fee once more under a pack, on what the claim itself saw: firm, case and account as
/// they stood before the fee. Nothing if the pack would have allowed it, or does not concern it.
pub fn disallowed(
    (id, case): (CaseId, &Case),
    account: &Account,
    firm: &Firm,
    (period, fee): (u32, &EarnedFee),
    pack: &RulePack,
) -> Option<Disallowed> {
    let case = under(case, firm, pack)?;
    let judgement = Judgement { id, case: &case, account, firm, as_of: fee.mark.on };
    let mut explanation = judgement.explain(period)?;
    let agreement = case.agreement_for(explanation.period.start)?;
    for finding in &mut explanation.findings {
        // The days are the pack's own, longer than the statute's.
        if finding.gate == Gate::WaitingDays && !finding.holds {
            finding.cites = agreement.rules.cancellation.cites.to_string();
        }
    }
    let disallowed = explanation.findings.iter().any(|finding| !finding.holds);
    disallowed.then(|| Disallowed { fee: fee.clone(), explanation })
}
