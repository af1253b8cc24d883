//! The stored form of a bureau's reports: an entry or a list that several of them show is stored once, and they
//! share it again when they are read.

use std::sync::Arc;

use calendar::CivilDate;

use super::{ItemList, Moment, ReportSeen, Reports};
use crate::codec::{DecodeError, Field, In, Out, record};
use crate::event::{ItemSeen, Score};
use crate::ids::DocumentHash;
use crate::money::Money;
use crate::value::Personal;

record! {
    /// The reports of a bureau, stored.
    struct Stored {
        /// Every entry that is listed.
        entries: Vec<Arc<ItemSeen>>,
        /// Every list, as places of its entries.
        lists: Vec<Vec<u32>>,
        /// The reports.
        reports: Vec<StoredReport>,
    }
}

record! {
    /// One of them: see [`ReportSeen`].
    struct StoredReport {
        card_balance: Option<Money>,
        card_limit: Option<Money>,
        free_annual: bool,
        has_values: bool,
        inquiries: u16,
        issued_on: CivilDate,
        /// The place of its list.
        list: Option<u32>,
        moment: Moment,
        score: Option<Score>,
    }
}

/// The place of a value, which is put behind the others unless it is there.
fn place<T>(kept: &mut Vec<T>, value: T, is_same: impl Fn(&T, &T) -> bool) -> u32 {
    let at = kept.iter().rposition(|known| is_same(known, &value)).unwrap_or_else(|| {
        kept.push(value);
        kept.len() - 1
    });
    u32::try_from(at).expect("a case holds fewer entries than 2^32")
}

impl Stored {
    fn of(reports: &Reports) -> Self {
        let (mut entries, mut lists, mut known) = (Vec::new(), Vec::new(), Vec::new());
        let stored = reports.all().map(|report| StoredReport {
            card_balance: report.card_balance,
            card_limit: report.card_limit,
            free_annual: report.free_annual,
            has_values: report.has_values,
            inquiries: report.inquiries,
            issued_on: report.issued_on,
            list: report.items.as_ref().map(|list| {
                let at = place(&mut known, Arc::clone(list), |one, other| one == other);
                if known.len() > lists.len() {
                    let entry = |seen: &Arc<ItemSeen>| {
                        place(&mut entries, Arc::clone(seen), |one, other| one == other)
                    };
                    lists.push(list.iter().map(entry).collect());
                }
                at
            }),
            moment: report.moment.clone(),
            score: report.score.clone(),
        });
        let reports = stored.collect();
        Self { entries, lists, reports }
    }

    /// The reports; nothing if one names what is not there.
    fn reports(self) -> Option<Vec<Arc<ReportSeen>>> {
        let Self { entries, lists, reports } = self;
        let entry = |at: u32| entries.get(usize::try_from(at).ok()?).cloned();
        let list = |list: Vec<u32>| list.into_iter().map(entry).collect::<Option<Vec<_>>>();
        let lists: Vec<ItemList> =
            lists.into_iter().map(|of| list(of).map(Arc::new)).collect::<Option<_>>()?;
        let report = |stored: StoredReport| {
            let items = match stored.list {
                Some(at) => Some(Arc::clone(lists.get(usize::try_from(at).ok()?)?)),
                None => None,
            };
            Some(Arc::new(ReportSeen {
                card_balance: stored.card_balance,
                card_limit: stored.card_limit,
                free_annual: stored.free_annual,
                has_values: stored.has_values,
                inquiries: stored.inquiries,
                issued_on: stored.issued_on,
                items,
                moment: stored.moment,
                score: stored.score,
            }))
        };
        reports.into_iter().map(report).collect()
    }
}

impl Field for Reports {
    fn put(&self, out: &mut Out) {
        Stored::of(self).put(out);
    }

    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        let stored = Stored::take(input)?;
        let seen = stored.reports().filter(|reports| !reports.is_empty());
        let seen = seen.ok_or_else(|| input.error("reports whose lists and entries are there"))?;
        Ok(Self { seen })
    }

    fn each_personal(&mut self, visit: &mut dyn FnMut(&mut Personal)) {
        self.seen.each_personal(visit);
    }

    fn each_document(&self, visit: &mut dyn FnMut(DocumentHash)) {
        self.seen.each_document(visit);
    }
}
