//! One more fact of a bureau's listings. Where it comes on a day after every other, what follows from it follows
//! from what was concluded before, and the whole story need not be gone through again.

use super::story::{Concluding, What};
use super::{Achievement, LetterState, Listing, Mark, ReportSeen};
use crate::event::{ItemOutcome, Outcome};
use crate::ids::ItemCode;

/// The fact.
pub(super) struct Next<'a> {
    pub(super) mark: &'a Mark,
    pub(super) what: Newest<'a>,
}

/// What it tells.
pub(super) enum Newest<'a> {
    /// A letter of a round went out, of which nothing else is told.
    Letter { round: u32 },
    /// An answer to the letter of a round, which has it already.
    Answer { round: u32, letter: &'a LetterState, outcomes: &'a [ItemOutcome] },
    /// The bureau's notice that a listing came back.
    Notice,
    /// A report.
    Report(&'a ReportSeen),
    /// A basis, or information for a bureau: whether it is something new.
    Word { is_new: bool },
}

impl Next<'_> {
    /// The listing with the fact, which comes after every report; nothing if the whole story is needed for that.
    pub(super) fn follow(&self, item: &ItemCode, before: &Listing) -> Option<Listing> {
        if self.mark.on <= before.told_through {
            return None;
        }
        let mut heard = Vec::new();
        let what = match self.what {
            Newest::Letter { round } => Some(What::Sent { round }),
            Newest::Answer { round, letter, outcomes } => {
                let mut said = outcomes.iter().filter(|said| said.item == *item);
                let outcome = said.next()?.outcome;
                // What a correction was to change is known from the reports before the letter.
                let is_plain = outcome != Outcome::Corrected && said.next().is_none();
                if !is_plain || !letter.items.contains(item) {
                    return None;
                }
                heard.extend(self.is_heard(letter, item).then_some(round));
                Some(What::Answered { round, outcome })
            }
            Newest::Notice => Some(What::Noticed),
            Newest::Report(report) => {
                if before.results.iter().any(|result| result.what == Achievement::Corrected) {
                    return None;
                }
                report.items.as_ref()?;
                let shows = report.item(item);
                Some(What::Reported { shows, has_values: report.has_values })
            }
            Newest::Word { .. } => None,
        };
        let is_new = match self.what {
            Newest::Report(_) => true,
            Newest::Word { is_new } => is_new,
            Newest::Letter { .. } | Newest::Answer { .. } | Newest::Notice => false,
        };
        let news = is_new.then_some(self.mark.on);
        let mut concluding = Concluding::after(before, heard, news.into_iter().collect());
        if let Some(what) = what {
            concluding.happen(self.mark, &what);
        }
        let told_through = match self.what {
            Newest::Report(_) => before.told_through,
            Newest::Letter { .. }
            | Newest::Answer { .. }
            | Newest::Notice
            | Newest::Word { .. } => self.mark.on,
        };
        concluding.listing(before.told.clone(), told_through).ok()
    }

    /// Whether another answer than a note that none came was there before this one.
    fn is_heard(&self, letter: &LetterState, item: &ItemCode) -> bool {
        let others = letter
            .answers
            .iter()
            .filter(|answer| answer.moment.mark.at.position != self.mark.at.position);
        let mut outcomes = others.flat_map(|answer| &answer.outcomes);
        outcomes.any(|said| said.item == *item && said.outcome != Outcome::NoAnswer)
    }
}
