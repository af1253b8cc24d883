//! Every item at every bureau.

use std::sync::Arc;

use calendar::CivilDate;
use domain::case::{Case, ListingStatus};
use domain::event::{Basis, ItemKind};
use domain::ids::{BureauCode, CaseId, FirmId, ItemCode};
use log::StoreError;

use super::{PAGE_ROWS_MAX, limit};
use crate::Store;
use crate::row::{Row, row};
use crate::statement::{Statement, active};
use crate::value::{Column, Value};

row! {
    /// One item at one bureau.
    pub struct ListingRow in "listing"
    key {
        /// The case.
        case_id: CaseId,
        /// The item.
        item: ItemCode,
        /// The bureau.
        bureau: BureauCode,
    }
    values {
        /// What it is.
        kind: ItemKind,
        /// Who reports it.
        furnisher: String,
        /// Balance shown, minor units.
        balance_minor: Option<i64>,
        /// When the delinquency or case began (15 USC 1681c).
        delinquent_since: Option<CivilDate>,
        /// Why the client says it is wrong.
        basis: Option<Basis>,
        /// Where it stands.
        status: ListingStatus,
        /// Since when.
        since_on: CivilDate,
        /// When it was first seen.
        listed_on: CivilDate,
        /// Whether the bureau's notice of a reinsertion was seen.
        notice_seen: bool,
        /// The day of the report that shows the result (16 CFR 310.4(a)(2)(ii)).
        shown_on: Option<CivilDate>,
    }
}

pub(super) fn rows(id: CaseId, case: &Case) -> Vec<ListingRow> {
    let row =
        |((item, bureau), listing): (&(ItemCode, BureauCode), &Arc<domain::case::Listing>)| {
            ListingRow {
                case_id: id,
                item: item.clone(),
                bureau: bureau.clone(),
                kind: listing.seen.kind,
                furnisher: listing.seen.furnisher.as_str().to_owned(),
                balance_minor: listing.seen.balance.map(domain::money::Money::minor),
                delinquent_since: listing.seen.delinquent_since,
                basis: listing.basis,
                status: listing.status,
                since_on: listing.since.on,
                listed_on: listing.listed.on,
                notice_seen: listing.notice_seen(),
                shown_on: listing
                    .standing_result()
                    .and_then(|result| result.shown.as_ref())
                    .map(|mark| mark.on),
            }
        };
    case.listings.iter().map(row).collect()
}

static OF_CASE: Statement = Statement::new(|| {
    format!(
        "SELECT {} FROM listing t WHERE {} AND t.case_id = $2 ORDER BY t.item, t.bureau LIMIT $3",
        ListingRow::TABLE.selected("t"),
        active("t")
    )
});

#[cfg(test)]
pub(super) static STATEMENTS: &[&Statement] = &[&OF_CASE];

impl Store {
    /// The listings of a case, by item and bureau.
    pub async fn listings(
        &self,
        firm: FirmId,
        case: CaseId,
    ) -> Result<Vec<ListingRow>, StoreError> {
        self.fetch(&OF_CASE, vec![Value::Id(firm.0), case.put(), limit(PAGE_ROWS_MAX)]).await
    }
}
