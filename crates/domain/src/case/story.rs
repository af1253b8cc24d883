//! What follows from the facts of one listing: where it stands, what was achieved and what came back.
//!
//! Facts count by their days: a report on the day it was issued, an answer and a notice on the day it came, a
//! letter on the day it was sent. On one day they stand in the order in which one request lists them, else in
//! a fixed order: letters, answers, notices, reports. The order of telling decides nothing.

use std::sync::Arc;

use calendar::{CivilDate, telemarketing_report_from};

use super::next::{Newest, Next};
use super::{
    Achieved, Achievement, Case, Listing, ListingStatus, Mark, OfListing, Reinsertion, ReportSeen,
    Reports, Round,
};
use crate::event::{ItemSeen, Outcome, SeenBy};
use crate::ids::{BureauCode, ItemCode, RequestId};

/// What happened to a listing.
pub(super) enum What<'a> {
    /// A letter of a round disputes it.
    Sent { round: u32 },
    /// What was answered to the letter of a round.
    Answered { round: u32, outcome: Outcome },
    /// The bureau's notice that it came back.
    Noticed,
    /// A report that shows it, or one of that bureau that does not.
    Reported { shows: Option<&'a Arc<ItemSeen>>, has_values: bool },
}

/// A fact of a listing.
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
pub(super) struct Concluding {
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
    /// What was concluded of a listing, to go on from with facts of later days. `heard` are rounds whose answer
    /// came, as far as the next fact asks. What corrections were to change is left out.
    pub(super) fn after(before: &Listing, heard: Vec<u32>, news: Vec<CivilDate>) -> Self {
        Self {
            disputed: Vec::new(),
            heard,
            listed: Some(before.listed.clone()),
            reinsertions: before.reinsertions.clone(),
            results: before.results.clone(),
            seen: Some(Arc::clone(&before.seen)),
            uncorrected: None,
            values: None,
            latest: Some((before.status, before.seen_by, before.since.clone())),
            news,
            repeated: before.repeated.as_deref().cloned(),
            // Once something new came it stays so.
            verified: before.unchanged_since.as_deref().cloned(),
        }
    }

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

    pub(super) fn happen(&mut self, mark: &Mark, what: &What<'_>) {
        match *what {
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

    /// The listing; without one, because no report ever showed it, what is told of it alone.
    pub(super) fn listing(
        mut self,
        told: OfListing,
        told_through: CivilDate,
    ) -> Result<Listing, OfListing> {
        let unchanged_since = self.unchanged_through(CivilDate::MAX).cloned().map(Box::new);
        let (Some((status, seen_by, since)), Some(listed), Some(seen)) =
            (self.latest, self.listed, self.seen)
        else {
            return Err(told);
        };
        self.results.shrink_to_fit();
        self.reinsertions.shrink_to_fit();
        Ok(Listing {
            basis: told.bases.last().map(|told| told.basis),
            basis_on: told.basis_on(),
            listed,
            reinsertions: self.reinsertions,
            repeated: self.repeated.map(Box::new),
            results: self.results,
            seen,
            seen_by,
            since,
            status,
            told,
            told_through,
            unchanged_since,
        })
    }
}

/// A listing concluded: with none, what is told of it before a report shows it.
type Concluded = Result<Listing, OfListing>;

impl Case {
    /// Concludes anew what follows from the facts of a bureau's listings, those known and those of a report that
    /// was imported.
    pub(super) fn conclude_bureau(&mut self, bureau: &BureauCode, report: Option<&ReportSeen>) {
        let mark = report.map(ReportSeen::mark);
        let next = report.zip(mark.as_ref());
        let next = next.map(|(report, mark)| Next { mark, what: Newest::Report(report) });
        let known = self.listings.iter().filter(|((_, at), _)| at == bureau);
        let mut changed: Vec<((ItemCode, BureauCode), Concluded)> = known
            .filter_map(|(key, listing)| {
                let concluded = self.changed(key, Some(listing), next.as_ref())?;
                Some((key.clone(), concluded))
            })
            .collect();
        let listed = report.and_then(|report| report.items.as_ref());
        for seen in listed.into_iter().flat_map(|items| items.iter()) {
            let key = (seen.item.clone(), bureau.clone());
            if !self.listings.contains_key(&key)
                && let Some(concluded) = self.changed(&key, None, None)
            {
                changed.push((key, concluded));
            }
        }
        for (key, concluded) in changed {
            self.become_concluded(key, concluded);
        }
        let from = report.map_or(CivilDate::MIN, |report| report.issued_on);
        self.free_reports(bureau, from);
    }

    /// Which letters to a bureau of a day and later follow the free annual report.
    fn free_reports(&mut self, bureau: &BureauCode, from: CivilDate) {
        let reports = self.reports.get(bureau);
        let is_free = |on| reports.is_some_and(|reports| reports.is_free_on(on));
        let first = self.rounds.partition_point(|round| round.mark.on < from);
        let changes = |round: &Round| {
            let mut letters = round.letters.iter();
            letters.any(|l| l.bureau == *bureau && l.free_report != is_free(round.mark.on))
        };
        if self.rounds[first..].iter().any(changes) {
            for round in &mut Arc::make_mut(&mut self.rounds)[first..] {
                let letters = round.letters.iter_mut().filter(|letter| letter.bureau == *bureau);
                letters.for_each(|letter| letter.free_report = is_free(round.mark.on));
            }
        }
    }

    /// Concludes anew what follows from the facts of some listings of a bureau; `next` is the one that was told,
    /// if they are all but one as they were.
    pub(super) fn conclude<'i>(
        &mut self,
        bureau: &BureauCode,
        items: impl IntoIterator<Item = &'i ItemCode>,
        next: Option<&Next<'_>>,
    ) {
        for item in items {
            let key = (item.clone(), bureau.clone());
            let known = self.listings.get(&key);
            if let Some(concluded) = self.changed(&key, known.map(AsRef::as_ref), next) {
                self.become_concluded(key, concluded);
            }
        }
    }

    /// What is concluded of a listing now, if that is not what was known of it.
    fn changed(
        &self,
        key: &(ItemCode, BureauCode),
        known: Option<&Listing>,
        next: Option<&Next<'_>>,
    ) -> Option<Concluded> {
        if let (Some(known), Some(next)) = (known, next)
            && self.reported_before(&key.1, next.mark)
            && let Some(followed) = next.follow(&key.0, known)
        {
            return (followed != *known).then_some(Ok(followed));
        }
        let told = known.map(|listing| &listing.told).or_else(|| self.unlisted.get(key));
        let concluded = self.concluded(&key.0, &key.1, told.cloned().unwrap_or_default());
        let is_known = known.is_some_and(|known| concluded.as_ref() == Ok(known));
        (!is_known).then_some(concluded)
    }

    /// Whether every other report of a bureau was issued before the day of a fact.
    fn reported_before(&self, bureau: &BureauCode, fact: &Mark) -> bool {
        let reports = self.reports.get(bureau).into_iter().flat_map(Reports::all);
        let mut others = reports.rev().filter(|of| of.moment.mark.at.position != fact.at.position);
        others.next().is_none_or(|latest| latest.issued_on < fact.on)
    }

    fn become_concluded(&mut self, key: (ItemCode, BureauCode), concluded: Concluded) {
        match concluded {
            Ok(listing) => {
                self.unlisted.remove(&key);
                Arc::make_mut(&mut self.listings).insert(key, Arc::new(listing));
            }
            Err(told) => {
                if self.listings.contains_key(&key) {
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

    pub(super) fn concluded(
        &self,
        item: &ItemCode,
        bureau: &BureauCode,
        told: OfListing,
    ) -> Concluded {
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
        let mut news = self.news_of(item, bureau, &told);
        let days = facts.iter().map(|fact| fact.mark.on).chain(news.iter().copied());
        let days = days.chain(told.bases.iter().map(|told| told.moment.on()));
        let told_through = days.max().unwrap_or(CivilDate::MIN);
        let reports = || self.reports.get(bureau).into_iter();
        facts.extend(reports().flat_map(Reports::by_days).filter_map(|day| reported(day, item)));
        news.extend(reports().flat_map(Reports::all).map(|report| report.issued_on));
        in_order(&mut facts);
        let mut concluding = Concluding { news, ..Concluding::default() };
        for happened in &facts {
            concluding.happen(&happened.mark, &happened.what);
        }
        concluding.listing(told, told_through)
    }
}

impl Case {
    /// The days on which something new about a listing came beside reports: a basis that differs from those before or
    /// comes with the client's words, information sent to the bureau about it.
    fn news_of(&self, item: &ItemCode, bureau: &BureauCode, told: &OfListing) -> Vec<CivilDate> {
        let bases = told.bases.iter().enumerate().filter(|(at, basis)| {
            basis.has_statement || told.bases[..*at].iter().all(|known| known.basis != basis.basis)
        });
        let bases = bases.map(|(_, basis)| basis.moment.on());
        let letters = self.rounds.iter().flat_map(|round| &round.letters);
        let letters = letters.filter(|l| l.bureau == *bureau && l.items.contains(item));
        let information = letters.flat_map(|letter| &letter.information).map(super::Moment::on);
        bases.chain(information).collect()
    }
}

/// What a bureau's reports of one day say of an item: it is there if any of them shows it.
fn reported<'a>(of_day: &'a [Arc<ReportSeen>], item: &ItemCode) -> Option<Happened<'a>> {
    let listing = || of_day.iter().filter(|report| report.items.is_some());
    let report = listing().find(|report| report.item(item).is_some()).or(listing().next())?;
    let what = What::Reported { shows: report.item(item), has_values: report.has_values };
    Some(Happened { mark: report.mark(), request: report.moment.request, what })
}
