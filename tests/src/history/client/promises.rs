//! What a client is promised, and what a person finds of it (16 CFR 310.4(a)(2)).

use domain::command::{CaseAction, FindResults};
use domain::event::{
    FoundResult, ListingCorrected, ListingDeleted, PromisedResult, ScoreRaised, Showing,
};
use rand::RngExt;
use rand::rngs::StdRng;

use super::super::plain::item;
use super::super::{BUREAUS, bureau, personal, text, usd};
use super::Client;

impl Client {
    /// What most agreements promise that are sold by telephone, and some of the others. Some are promised in words
    /// alone, and some agreements say nothing: a person has to find what is shown of it.
    pub(super) fn promised(&self, rng: &mut StdRng) -> Vec<PromisedResult> {
        if !(self.sold_by_telephone() || rng.random_ratio(1, 16)) {
            return Vec::new();
        }
        let mut promised = Vec::new();
        let result = |showing| PromisedResult { showing, words: personal("a cleaner file") };
        let (bureau, item) = (bureau(rng.random_range(0..BUREAUS.len())), item(0));
        match rng.random_range(0..10) {
            0..=4 => {
                let deletions = Some(rng.random_range(1..3));
                promised.push(result(Some(Showing { deletions, ..Showing::default() })));
            }
            5 => {
                let deleted = Some(ListingDeleted { bureau, item });
                promised.push(result(Some(Showing { deleted, ..Showing::default() })));
            }
            6 => {
                let corrected = Some(ListingCorrected { balance: usd(50_000), bureau, item });
                promised.push(result(Some(Showing { corrected, ..Showing::default() })));
            }
            7 => {
                let model = text("Model 8");
                let score = Some(ScoreRaised { at_least: 560, bureau, model });
                promised.push(result(Some(Showing { score, ..Showing::default() })));
            }
            _ => {}
        }
        if rng.random_ratio(1, 4) {
            promised.push(result(None));
        }
        promised
    }

    /// A finding on what reports have shown, now and then before it can help.
    pub(super) fn finding(&self, rng: &mut StdRng) -> Option<CaseAction> {
        let promise = rng.random_ratio(1, 3).then_some(rng.random_range(1..3));
        let found = self.shown.iter().map(|(item, at, report_on)| FoundResult {
            bureau: bureau(*at),
            item: item.clone(),
            promise,
            report_on: *report_on,
        });
        let found: Vec<FoundResult> = found.collect();
        let (found_by, reason) = (personal("Counsel"), personal("it is what was promised"));
        let find = FindResults { agreement: None, document: None, found, found_by, reason };
        (!find.found.is_empty()).then_some(CaseAction::FindResults(find))
    }
}
