//! What follows from the facts of one listing: where it stands, what was achieved and what came back.
//!
//! Facts count by their days: a report on the day it was issued, an answer and a notice on the day it came, a
//! letter on the day it was sent. On one day they stand in the order in which one request lists them, else in
//! a fixed order: letters, answers, notices, reports. The order of telling decides nothing.

use std::collections::BTreeSet;
use std::sync::Arc;

use calendar::{CivilDate, telemarketing_report_from};

use super::{
    Achieved, Achievement, Case, Listing, ListingStatus, Mark, OfListing, Reinsertion, ReportSeen,
    Reports, Round,
};
use crate::event::{ItemSeen, Outcome, SeenBy};
use crate::ids::{BureauCode, ItemCode, RequestId};

/// What happened to a listing.
enum What<'a> {
    /// A letter of a round disputes it.
    Sent { round: u32 },
    /// What was answered to the letter of a round.
    Answered { round: u32, outcome: Outcome },
    /// The bureau's notice that it came back.
    Noticed,
    /// A report that shows it, or one of that bureau that does not.
    Reported { shows: Option<&'a Arc<ItemSeen>>, has_values: bool },
}

struct Happened<'a> {
    mark: Mark,
    request: RequestId,
    what: What<'a>,
}

impl Happened<'_> {
    /// Where it stands by day and kind. Of two answers on one day the one that does more for the client comes last.
    fn place(&self) -> (CivilDate, u8, u8, u64) {
        let (kind, of_kind) = match self.what {
            What::Sent { .. } => (0, 0),
            What::Answered { outcome, .. } => (1, weight(outcome)),
            What::Noticed => (2, 0),
            What::Reported { .. } => (3, 0),
        };
        (self.mark.on, kind, of_kind, self.mark.at.position)
    }
}

const fn weight(outcome: Outcome) -> u8 {
    match outcome {
        Outcome::NoAnswer => 0,
        Outcome::Frivolous => 1,
        Outcome::Verified => 2,
        Outcome::Corrected => 3,
        Outcome::Deleted => 4,
    }
}

/// Puts facts in the order of the story.
fn in_order(facts: &mut [Happened<'_>]) {
    facts.sort_by_key(Happened::place);
    for day in facts.chunk_by_mut(|one, other| one.mark.on == other.mark.on) {
        for at in 0..day.len() {
            // The first for which no other of its request and day was listed before it.
            let is_next = |of: &Happened<'_>| {
                !day[at..].iter().any(|other| {
                    other.request == of.request && other.mark.at.position < of.mark.at.position
                })
            };
            let next = day[at..].iter().position(is_next).unwrap_or(0);
            day[at..=at + next].rotate_right(1);
        }
    }
}

/// What is concluded while the facts are gone through.
#[derive(Default)]
struct Concluding {
    /// What letters disputed: the values of the report before each, by round.
    disputed: Vec<(u32, Option<Arc<ItemSeen>>)>,
    /// Rounds whose answer came.
    heard: Vec<u32>,
    listed: Option<Mark>,
    reinsertions: Vec<Reinsertion>,
    results: Vec<Achieved>,
    /// As the latest report shows it.
    seen: Option<Arc<ItemSeen>>,
    /// What a standing correction was to change.
    uncorrected: Option<Arc<ItemSeen>>,
    /// As the latest report shows it that was told with values.
    values: Option<Arc<ItemSeen>>,
    latest: Option<(ListingStatus, Option<SeenBy>, Mark)>,
    /// Days on which something new came: a basis or the client's words, information, a report.
    news: Vec<CivilDate>,
    repeated: Option<Mark>,
    verified: Option<Mark>,
}

impl Concluding {
    fn status(&self) -> Option<ListingStatus> {
        self.latest.as_ref().map(|(status, ..)| *status)
    }

    /// The answer that verified it, if nothing new came from its day through another.
    fn unchanged_through(&self, day: CivilDate) -> Option<&Mark> {
        let is_new = |since: &Mark| self.news.iter().any(|on| since.on <= *on && *on <= day);
        self.verified.as_ref().filter(|verified| !is_new(verified))
    }

    fn become_status(&mut self, status: ListingStatus, seen_by: Option<SeenBy>, mark: &Mark) {
        self.latest = Some((status, seen_by, mark.clone()));
    }

    fn standing(&mut self) -> Option<&mut Achieved> {
        self.results.last_mut().filter(|result| result.undone.is_none())
    }

    fn undo(&mut self, mark: &Mark) {
        if let Some(standing) = self.standing() {
            standing.undone = Some(mark.clone());
        }
    }

    fn achieve(&mut self, what: Achievement, seen_by: SeenBy, mark: &Mark) {
        self.undo(mark);
        (self.repeated, self.verified) = (None, None);
        let since = mark.clone();
        self.results.push(Achieved { seen_by, shown: None, since, undone: None, what });
        let status = match what {
            Achievement::Deleted => ListingStatus::Deleted,
            Achievement::Corrected => ListingStatus::Corrected,
        };
        self.become_status(status, Some(seen_by), mark);
    }

    fn come_back(&mut self, seen_by: SeenBy, notice: Option<Mark>, mark: &Mark) {
        self.undo(mark);
        self.reinsertions.push(Reinsertion { notice, seen_by, since: mark.clone() });
        self.become_status(ListingStatus::Reinserted, Some(seen_by), mark);
    }

    fn happen(&mut self, happened: &Happened<'_>) {
        let mark = &happened.mark;
        match happened.what {
            What::Sent { round } => {
                self.repeated = self.unchanged_through(mark.on).map(|_| mark.clone());
                self.disputed.push((round, self.values.clone()));
                // What is gone is not in dispute, whatever a letter says.
                if self.status() != Some(ListingStatus::Deleted) {
                    self.become_status(ListingStatus::InDispute, None, mark);
                }
            }
            What::Answered { round, outcome } => self.answered(round, outcome, mark),
            What::Noticed => self.noticed(mark),
            What::Reported { shows: Some(seen), has_values } => self.shown(seen, has_values, mark),
            What::Reported { shows: None, .. } => match self.status() {
                None => {}
                Some(ListingStatus::Deleted) => self.is_shown(mark),
                Some(_) => self.achieve(Achievement::Deleted, SeenBy::Import, mark),
            },
        }
    }

    fn answered(&mut self, round: u32, outcome: Outcome, mark: &Mark) {
        let is_gone = self.status() == Some(ListingStatus::Deleted);
        match outcome {
            Outcome::Verified => (self.repeated, self.verified) = (None, Some(mark.clone())),
            Outcome::Frivolous => self.repeated = None,
            Outcome::Deleted | Outcome::Corrected | Outcome::NoAnswer => {}
        }
        let (status, seen_by) = match outcome {
            // An import may have shown the deletion before the letter came.
            Outcome::Deleted if is_gone => return self.heard.push(round),
            Outcome::Deleted => {
                self.heard.push(round);
                return self.achieve(Achievement::Deleted, SeenBy::Response, mark);
            }
            Outcome::Corrected => {
                self.heard.push(round);
                let mut letters = self.disputed.iter().rev();
                let before = letters.find(|(number, _)| *number == round);
                self.uncorrected = before.and_then(|(_, values)| values.clone());
                return self.achieve(Achievement::Corrected, SeenBy::Response, mark);
            }
            Outcome::Verified => {
                self.heard.push(round);
                if is_gone {
                    // The bureau says that it stands.
                    self.undo(mark);
                }
                (ListingStatus::Verified, Some(SeenBy::Response))
            }
            Outcome::Frivolous => {
                self.heard.push(round);
                if is_gone {
                    return;
                }
                (ListingStatus::Refused, Some(SeenBy::Response))
            }
            // The firm's own note: it says nothing of what is gone, nor once an answer was there.
            Outcome::NoAnswer if is_gone || self.heard.contains(&round) => return,
            Outcome::NoAnswer => (ListingStatus::Unanswered, None),
        };
        self.become_status(status, seen_by, mark);
    }

    /// A notice is of the latest reinsertion that has none, if the listing is back; else it is how the
    /// reinsertion is known.
    fn noticed(&mut self, mark: &Mark) {
        let is_gone = self.status() == Some(ListingStatus::Deleted);
        match self.reinsertions.last_mut().filter(|_| !is_gone) {
            Some(back) => {
                back.notice.get_or_insert_with(|| mark.clone());
            }
            None => self.come_back(SeenBy::Notice, Some(mark.clone()), mark),
        }
    }

    fn shown(&mut self, seen: &Arc<ItemSeen>, has_values: bool, mark: &Mark) {
        let status = self.status();
        match status {
            None => self.become_status(ListingStatus::Listed, Some(SeenBy::Import), mark),
            Some(ListingStatus::Deleted) => self.come_back(SeenBy::Import, None, mark),
            Some(_) => {
                let is_as_before = has_values && self.uncorrected.as_ref() == Some(seen);
                if !is_as_before {
                    self.is_shown(mark);
                } else if self.standing().is_some() {
                    // It shows what the correction was to change.
                    self.undo(mark);
                    if status == Some(ListingStatus::Corrected) {
                        self.become_status(ListingStatus::Listed, Some(SeenBy::Import), mark);
                    }
                }
            }
        }
        self.listed.get_or_insert_with(|| mark.clone());
        self.seen = Some(Arc::clone(seen));
        if has_values {
            self.values = Some(Arc::clone(seen));
        }
    }

    /// Notes the first report that shows a result long enough after it.
    fn is_shown(&mut self, mark: &Mark) {
        if let Some(standing) = self.standing()
            && standing.shown.is_none()
            && mark.on >= telemarketing_report_from(standing.since.on)
        {
            standing.shown = Some(mark.clone());
        }
    }

    /// The listing; nothing if no report ever showed it.
    fn listing(mut self, told: OfListing) -> Option<Listing> {
        let unchanged_since = self.unchanged_through(CivilDate::MAX).cloned().map(Box::new);
        let (status, seen_by, since) = self.latest?;
        self.results.shrink_to_fit();
        self.reinsertions.shrink_to_fit();
        let latest_basis = told.bases.last().map(|told| told.basis);
        Some(Listing {
            basis: latest_basis,
            basis_on: told.bases.first().map(|told| told.moment.on()),
            listed: self.listed?,
            reinsertions: self.reinsertions,
            repeated: self.repeated.map(Box::new),
            results: self.results,
            seen: self.seen?,
            seen_by,
            since,
            status,
            told,
            unchanged_since,
        })
    }
}

impl Case {
    /// Concludes anew what follows from the facts of a bureau's listings, those known and those of a report.
    pub(super) fn conclude_bureau(&mut self, bureau: &BureauCode, report: Option<&ReportSeen>) {
        let known = self.listings.keys().filter(|(_, at)| at == bureau).map(|(item, _)| item);
        let listed = report.into_iter().filter_map(|report| report.items.as_ref());
        let listed = listed.flat_map(|items| items.iter()).map(|seen| &seen.item);
        let items: BTreeSet<&ItemCode> = known.chain(listed).collect();
        let items: Vec<ItemCode> = items.into_iter().cloned().collect();
        self.conclude(bureau, items);
        let reports = self.reports.get(bureau);
        let is_free = |on| reports.is_some_and(|reports| reports.is_free_on(on));
        let changes = |round: &Round| {
            let mut letters = round.letters.iter();
            letters.any(|l| l.bureau == *bureau && l.free_report != is_free(round.mark.on))
        };
        if self.rounds.iter().any(changes) {
            for round in Arc::make_mut(&mut self.rounds) {
                let letters = round.letters.iter_mut().filter(|letter| letter.bureau == *bureau);
                letters.for_each(|letter| letter.free_report = is_free(round.mark.on));
            }
        }
    }

    /// Concludes anew what follows from the facts of some listings of a bureau.
    pub(super) fn conclude(
        &mut self,
        bureau: &BureauCode,
        items: impl IntoIterator<Item = ItemCode>,
    ) {
        for item in items {
            let key = (item, bureau.clone());
            let known = self.listings.get(&key);
            let told = known.map(|listing| &listing.told).or_else(|| self.unlisted.get(&key));
            let concluded = self.concluded(&key.0, bureau, told.cloned().unwrap_or_default());
            match concluded {
                Ok(listing) if known.is_some_and(|known| **known == listing) => {}
                Ok(listing) => {
                    self.unlisted.remove(&key);
                    Arc::make_mut(&mut self.listings).insert(key, Arc::new(listing));
                }
                Err(told) => {
                    if known.is_some() {
                        Arc::make_mut(&mut self.listings).remove(&key);
                    }
                    if told.is_told() {
                        self.unlisted.insert(key, told);
                    } else {
                        self.unlisted.remove(&key);
                    }
                }
            }
        }
    }

    fn concluded(
        &self,
        item: &ItemCode,
        bureau: &BureauCode,
        told: OfListing,
    ) -> Result<Listing, OfListing> {
        let mut facts = Vec::new();
        for round in self.rounds.iter() {
            let mut letters = round.letters.iter();
            let disputes = letters.find(|l| l.bureau == *bureau && l.items.contains(item));
            let Some(letter) = disputes else { continue };
            let what = What::Sent { round: round.number };
            facts.push(Happened { mark: round.mark.clone(), request: round.request, what });
            for answer in &letter.answers {
                let of_item = answer.outcomes.iter().filter(|outcome| outcome.item == *item);
                facts.extend(of_item.map(|said| {
                    let what = What::Answered { round: round.number, outcome: said.outcome };
                    let moment = &answer.moment;
                    Happened { mark: moment.mark.clone(), request: moment.request, what }
                }));
            }
        }
        facts.extend(told.notices.iter().map(|moment| Happened {
            mark: moment.mark.clone(),
            request: moment.request,
            what: What::Noticed,
        }));
        for of_day in self.reports.get(bureau).into_iter().flat_map(Reports::by_days) {
            facts.extend(reported(of_day, item));
        }
        in_order(&mut facts);
        let news = self.news_of(item, bureau, &told);
        let mut concluding = Concluding { news, ..Concluding::default() };
        for happened in &facts {
            concluding.happen(happened);
        }
        // Kept beside the listings until a report shows it.
        concluding.listing(told.clone()).ok_or(told)
    }
}

impl Case {
    /// The days on which something new about a listing came: a basis that differs from those before or comes with the
    /// client's words, information sent to the bureau about it, a report of the bureau.
    fn news_of(&self, item: &ItemCode, bureau: &BureauCode, told: &OfListing) -> Vec<CivilDate> {
        let bases = told.bases.iter().enumerate().filter(|(at, basis)| {
            basis.has_statement || told.bases[..*at].iter().all(|known| known.basis != basis.basis)
        });
        let bases = bases.map(|(_, basis)| basis.moment.on());
        let letters = self.rounds.iter().flat_map(|round| &round.letters);
        let letters = letters.filter(|l| l.bureau == *bureau && l.items.contains(item));
        let information = letters.flat_map(|letter| &letter.information).map(super::Moment::on);
        let reports = self.reports.get(bureau).into_iter().flat_map(Reports::all);
        bases.chain(information).chain(reports.map(|report| report.issued_on)).collect()
    }
}

/// What a bureau's reports of one day say of an item: it is there if any of them shows it.
fn reported<'a>(of_day: &'a [Arc<ReportSeen>], item: &ItemCode) -> Option<Happened<'a>> {
    let listing = || of_day.iter().filter(|report| report.items.is_some());
    let report = listing().find(|report| report.item(item).is_some()).or(listing().next())?;
    let what = What::Reported { shows: report.item(item), has_values: report.has_values };
    Some(Happened { mark: report.mark(), request: report.moment.request, what })
}
