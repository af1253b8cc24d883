//! What an agreement promises, and what a person finds of it (16 CFR 310.4(a)(2)(ii)).

use super::decide::Facts;
use super::{Agreement, Case, Reports, fact};
use crate::command::FindResults;
use crate::event::{FoundResult, ListingCorrected, PromisedResult, ResultsFound, Showing};
use crate::refusal::{Reason, Refusal};

/// Most results that an agreement promises.
pub const PROMISED_MAX: usize = 50;
/// Most results that a finding names.
pub const FOUND_MAX: usize = 200;

impl Showing {
    /// Whether no report can be asked: the result is promised in words alone.
    pub fn is_in_words_alone(&self) -> bool {
        let Self { corrected, deleted, deletions, score } = self;
        corrected.is_none() && deleted.is_none() && deletions.is_none() && score.is_none()
    }
}

/// Promises that make sense: of bureaus that the firm writes to, each shown in one way.
pub(super) fn check_promised(
    facts: &Facts<'_>,
    promised: &[PromisedResult],
) -> Result<(), Refusal> {
    if promised.len() > PROMISED_MAX {
        let detail = format!("promised: an agreement promises at most {PROMISED_MAX} results");
        return Err(facts.refuse(Reason::ValueRefused, detail));
    }
    let currency = facts.firm.registered.as_ref().map(|firm| firm.currency);
    for (at, result) in promised.iter().enumerate() {
        let refuse =
            |detail: &str| facts.refuse(Reason::ValueRefused, format!("promised[{at}] {detail}"));
        let Some(Showing { corrected, deleted, deletions, score }) = &result.showing else {
            continue;
        };
        let kinds = [corrected.is_some(), deleted.is_some(), deletions.is_some(), score.is_some()];
        if kinds.into_iter().filter(|&is_there| is_there).count() != 1 {
            return Err(refuse("is shown in one way"));
        }
        let bureaus = corrected.iter().map(|promise| &promise.bureau);
        let bureaus = bureaus.chain(deleted.iter().map(|promise| &promise.bureau));
        for bureau in bureaus.chain(score.iter().map(|promise| &promise.bureau)) {
            fact::bureau(facts, bureau)?;
        }
        if *deletions == Some(0) {
            return Err(refuse("promises no deletion"));
        }
        if let Some(ListingCorrected { balance, .. }) = corrected
            && (Some(balance.currency()) != currency || balance.minor() < 0)
        {
            return Err(refuse("is a balance in the firm's currency, zero or above"));
        }
    }
    Ok(())
}

/// A finding about an agreement names results that there are and reports that came in. Whether the results stand and
/// the reports came late enough is for the gate to say, on whatever is told by then.
pub(super) fn decide(
    case: &Case,
    facts: &Facts<'_>,
    find: &FindResults,
) -> Result<ResultsFound, Refusal> {
    let agreement = match find.agreement {
        Some(position) => {
            let named = case.agreements.iter().find(|a| a.signed.mark.at.position == position);
            named.ok_or_else(|| facts.unknown(&format!("an agreement at position {position}")))?
        }
        None => case.agreement().ok_or_else(|| facts.unknown("an agreement"))?,
    };
    if facts.on < agreement.signed.on() {
        let detail = format!("the agreement was signed on {}", agreement.signed.on());
        return Err(facts.refuse(Reason::DateImpossible, detail));
    }
    if find.found.is_empty() || find.found.len() > FOUND_MAX {
        let detail = format!("found: a finding names 1 to {FOUND_MAX} results");
        return Err(facts.refuse(Reason::ValueRefused, detail));
    }
    for (at, found) in find.found.iter().enumerate() {
        if let Err(detail) = promise_of(agreement, found) {
            return Err(facts.refuse(Reason::ValueRefused, format!("found[{at}].promise {detail}")));
        }
        let listing = fact::listing(case, facts, &found.bureau, &found.item)?;
        if listing.results.is_empty() {
            let detail = format!("found[{at}]: {} at {}", found.item, found.bureau);
            return Err(facts.unknown(&format!("{detail}: a deletion or correction of it")));
        }
        let mut reports = case.reports.get(&found.bureau).into_iter().flat_map(Reports::all);
        if !reports.any(|report| report.issued_on == found.report_on) {
            let of = format!("of {} that was issued on {}", found.bureau, found.report_on);
            return Err(facts.unknown(&format!("found[{at}].report_on: a report {of}")));
        }
        if facts.on < found.report_on {
            let detail = format!("found[{at}].report_on is after the day of the finding");
            return Err(facts.refuse(Reason::DateImpossible, detail));
        }
    }
    Ok(ResultsFound {
        agreement: agreement.signed.mark.at.clone(),
        document: find.document,
        found: find.found.clone(),
        found_by: find.found_by.clone(),
        reason: find.reason.clone(),
    })
}

/// Which promise a finding is about: one in words alone, where there is a list.
fn promise_of(agreement: &Agreement, found: &FoundResult) -> Result<(), &'static str> {
    match (&agreement.promised, found.promise) {
        (None, None) => Ok(()),
        (None, Some(_)) => Err("is given, and the agreement has no list of promised results"),
        (Some(_), None) => Err("is required: the agreement has a list of promised results"),
        (Some(promised), Some(number)) => {
            let at = usize::try_from(number).ok().and_then(|number| number.checked_sub(1));
            match at.and_then(|at| promised.get(at)) {
                Some(showing) if showing.is_in_words_alone() => Ok(()),
                Some(_) => Err("is shown by reports: no finding is needed"),
                None => Err("is not on the agreement's list"),
            }
        }
    }
}
