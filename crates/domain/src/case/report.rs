//! Reports as imported, by the days on which bureaus issued them.

use std::sync::Arc;

use calendar::CivilDate;

use super::{Case, Mark, Moment};
use crate::codec::record;
use crate::event::{ItemListed, ItemSeen, ReportImported, Score};
use crate::ids::{BureauCode, ItemCode};
use crate::money::Money;
use crate::terms::Work;

/// The negative listings of a report, by their codes. Reports that show the same share them.
pub type ItemList = Arc<Vec<Arc<ItemSeen>>>;

record! {
    /// A bureau's report as imported.
    pub struct ReportSeen {
        /// Sum of card balances.
        card_balance: Option<Money>,
        /// Sum of card limits.
        card_limit: Option<Money>,
        /// Whether it is the free annual report.
        free_annual: bool,
        /// Whether values were told with the list. They were not of a list that follows from the order of
        /// the log.
        has_values: bool,
        /// Hard inquiries.
        inquiries: u16,
        /// The day the bureau issued it.
        issued_on: CivilDate,
        /// What it lists, where that is known.
        items: Option<ItemList>,
        /// The import.
        moment: Moment,
        /// The score.
        score: Option<Score>,
    }
}

impl ReportSeen {
    /// The import as an event of the day on which the report was issued.
    pub fn mark(&self) -> Mark {
        Mark { on: self.issued_on, ..self.moment.mark.clone() }
    }

    /// An item as it shows it; nothing if its list is not known or does not have it.
    pub fn item(&self, item: &ItemCode) -> Option<&Arc<ItemSeen>> {
        let items = self.items.as_ref()?;
        let at = items.binary_search_by(|seen| seen.item.cmp(item)).ok()?;
        items.get(at)
    }

    fn place(&self) -> (CivilDate, u64) {
        (self.issued_on, self.moment.mark.at.position)
    }
}

/// The reports of a bureau, by the days of their issue: scores then and now. There is at least one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reports {
    /// The reports.
    pub(super) seen: Vec<Arc<ReportSeen>>,
}

impl Reports {
    /// All of them, by their days.
    pub fn all(&self) -> impl DoubleEndedIterator<Item = &ReportSeen> {
        self.seen.iter().map(AsRef::as_ref)
    }

    /// The one issued first.
    ///
    /// # Panics
    /// Never: a bureau is kept with its first report.
    pub fn first(&self) -> &ReportSeen {
        self.seen.first().expect("a bureau is kept here with its first report")
    }

    /// The one issued last.
    ///
    /// # Panics
    /// Never: a bureau is kept with its first report.
    pub fn latest(&self) -> &ReportSeen {
        self.seen.last().expect("a bureau is kept here with its first report")
    }

    /// The day on which the first of them was imported.
    ///
    /// # Panics
    /// Never: a bureau is kept with its first report.
    pub fn imported_on(&self) -> CivilDate {
        let days = self.seen.iter().map(|report| report.moment.on());
        days.min().expect("a bureau is kept here with its first report")
    }

    /// The reports, those of one day together.
    pub(super) fn by_days(&self) -> impl Iterator<Item = &[Arc<ReportSeen>]> {
        self.seen.chunk_by(|one, other| one.issued_on == other.issued_on)
    }

    /// Whether a letter of a day follows the free annual report (15 USC 1681j(a)(3)): the report issued last
    /// before it, or any of its own day, since a bureau is never called late on the shorter reading.
    pub(super) fn is_free_on(&self, day: CivilDate) -> bool {
        let before = self.seen.iter().rev().find(|report| report.issued_on < day);
        let of_day = self.seen.iter().filter(|report| report.issued_on == day);
        of_day.chain(before).any(|report| report.free_annual)
    }
}

impl Case {
    pub(super) fn imported(&mut self, e: &ReportImported, moment: Moment) {
        let items = match &e.items {
            Some(items) => {
                let mut items: Vec<_> =
                    items.iter().map(|seen| self.shared(&e.bureau, seen)).collect();
                items.sort_by(|one, other| one.item.cmp(&other.item));
                Some(items)
            }
            None => self.listed_in_log(&e.bureau, e.issued_on),
        };
        let items = items.map(|items| self.shared_list(&e.bureau, items));
        let report = Arc::new(ReportSeen {
            card_balance: e.card_balance,
            card_limit: e.card_limit,
            free_annual: e.free_annual,
            has_values: e.items.is_some(),
            inquiries: e.inquiries,
            issued_on: e.issued_on,
            items,
            moment: moment.clone(),
            score: e.score.clone(),
        });
        let reports = Arc::make_mut(&mut self.reports);
        let reports =
            reports.entry(e.bureau.clone()).or_insert_with(|| Reports { seen: Vec::new() });
        let at = reports.seen.partition_point(|known| known.place() < report.place());
        reports.seen.insert(at, Arc::clone(&report));
        self.conclude_bureau(&e.bureau, Some(&report));
        self.did(Work::ReportImport, e.completes_before, moment);
    }

    /// Takes back the report imported at a position, if there is one; says of which bureau it was.
    pub(super) fn take_back_report(&mut self, position: u64) -> Option<BureauCode> {
        let is_it = |report: &Arc<ReportSeen>| report.moment.mark.at.position == position;
        let mut bureaus = self.reports.iter();
        let bureau = bureaus.find(|(_, reports)| reports.seen.iter().any(is_it))?.0.clone();
        let all = Arc::make_mut(&mut self.reports);
        if let Some(reports) = all.get_mut(&bureau) {
            reports.seen.retain(|report| !is_it(report));
        }
        all.retain(|_, reports| !reports.seen.is_empty());
        Some(bureau)
    }

    /// An entry of a report, shared with the listing if that shows the same.
    fn shared(&self, bureau: &BureauCode, seen: &ItemSeen) -> Arc<ItemSeen> {
        let known = self.listings.get(&(seen.item.clone(), bureau.clone()));
        let same = known.map(|listing| &listing.seen).filter(|known| ***known == *seen);
        same.map_or_else(|| Arc::new(seen.clone()), Arc::clone)
    }

    /// A list, shared with the latest report of the bureau that lists the same.
    fn shared_list(&self, bureau: &BureauCode, items: Vec<Arc<ItemSeen>>) -> ItemList {
        let reports = self.reports.get(bureau).into_iter().flat_map(|reports| &reports.seen);
        let mut lists = reports.rev().filter_map(|report| report.items.as_ref());
        lists.find(|list| ***list == items).map_or_else(|| Arc::new(items), Arc::clone)
    }

    /// The list of a report from before lists were kept: what was not gone by the order of the log. The
    /// announcements behind it in its request say what it changed. One that was issued before another told
    /// by then changed nothing, and its list is not known.
    fn listed_in_log(
        &self,
        bureau: &BureauCode,
        issued_on: CivilDate,
    ) -> Option<Vec<Arc<ItemSeen>>> {
        let latest = self.reports.get(bureau).map(|reports| reports.latest().issued_on);
        latest.is_none_or(|latest| latest <= issued_on).then(|| {
            let there = self
                .listings
                .iter()
                .filter(|((_, at), listing)| at == bureau && !listing.told.is_gone_in_log);
            there.map(|(_, listing)| Arc::clone(&listing.seen)).collect()
        })
    }

    /// An announcement behind a report: it tells what was concluded, and of a report from before lists were
    /// kept what its list is.
    pub(super) fn announced(
        &mut self,
        moment: &Moment,
        bureau: &BureauCode,
        item: &ItemCode,
        listed: Option<&ItemListed>,
        is_there: bool,
    ) {
        let seen = listed.map(|e| {
            Arc::new(ItemSeen {
                balance: e.balance,
                delinquent_since: e.delinquent_since,
                furnisher: e.furnisher.clone(),
                item: e.item.clone(),
                kind: e.kind,
            })
        });
        let known = self.listings.get(&(item.clone(), bureau.clone()));
        let seen = seen.or_else(|| known.map(|listing| Arc::clone(&listing.seen)));
        let reports = Arc::make_mut(&mut self.reports).get_mut(bureau);
        let of_request = |report: &&mut Arc<ReportSeen>| {
            report.moment.request == moment.request && !report.has_values
        };
        let reports = reports.into_iter().flat_map(|reports| &mut reports.seen);
        let report = reports.filter(of_request).max_by_key(|report| report.moment.mark.at.position);
        if let Some(report) = report
            && let Some(items) = &mut Arc::make_mut(report).items
            && let Some(seen) = seen
        {
            let items = Arc::make_mut(items);
            match items.binary_search_by(|known| known.item.cmp(item)) {
                Ok(at) if !is_there => {
                    items.remove(at);
                }
                Err(at) if is_there => items.insert(at, seen),
                Ok(_) | Err(_) => {}
            }
            self.conclude(bureau, [item], None);
        }
        self.in_log(item, bureau, !is_there);
    }

    /// What the order of the log makes of a listing.
    pub(super) fn in_log(&mut self, item: &ItemCode, bureau: &BureauCode, is_gone: bool) {
        let key = (item.clone(), bureau.clone());
        if self.listings.get(&key).is_some_and(|known| known.told.is_gone_in_log != is_gone)
            && let Some(listing) = Arc::make_mut(&mut self.listings).get_mut(&key)
        {
            Arc::make_mut(listing).told.is_gone_in_log = is_gone;
        }
    }
}
