//! Who may be a couple: keys to compare by, suggestions that wait, pairs a person refused.

use calendar::CivilDate;
use domain::account::Account;
use domain::case::{Case, CaseStatus};
use domain::event::Match;
use domain::ids::{AccountId, CaseId, FirmId};
use domain::terms::Seat;
use log::StoreError;

use super::limit;
use crate::row::{Row, row, selected};
use crate::statement::{Statement, active, beside};
use crate::store::Store;
use crate::value::{Column, Value};

row! {
    /// A served case on a couple plan. What it is compared by is kept with the person.
    pub struct CoupleContactRow in "couple_contact"
    key {
        /// The case.
        case_id: CaseId,
    }
    values {}
}

row! {
    /// An account that pays for its own case alone. What it is compared by is kept with the person.
    pub struct CoupleCardRow in "couple_card"
    key {
        /// The account.
        account_id: AccountId,
    }
    values {}
}

row! {
    /// Two of three match: a person has to say whether these two are a couple.
    pub struct SuggestedLinkRow in "suggested_link"
    key {
        /// The account that would pay; its case is one of the two.
        account_id: AccountId,
        /// The other case.
        member: CaseId,
    }
    values {
        /// Since when.
        since_on: CivilDate,
        /// Whether the telephones match.
        phone: bool,
        /// Whether the addresses match.
        address: bool,
        /// Whether the cards match.
        card: bool,
    }
}

row! {
    /// A person said that these two are no couple.
    pub struct RefusedLinkRow in "refused_link"
    key {
        /// The account whose case is one of the two.
        account_id: AccountId,
        /// The other case.
        member: CaseId,
    }
    values {}
}

selected! {
    /// Two cases to compare: at least two of three match, and no such comparison was made yet.
    pub struct CoupleCandidate {
        /// The one with the lower id.
        first: CaseId,
        /// The other.
        second: CaseId,
    }
}

/// A case that can be linked as far as the case knows.
pub(super) fn contact_rows(id: CaseId, case: &Case) -> Vec<CoupleContactRow> {
    let over = match case.status() {
        CaseStatus::Ended | CaseStatus::Cancelled | CaseStatus::Unknown => true,
        CaseStatus::Enrolled | CaseStatus::Signed | CaseStatus::Open | CaseStatus::Paused => false,
    };
    if over || case.seat() != Some(Seat::Couple) {
        return Vec::new();
    }
    vec![CoupleContactRow { case_id: id }]
}

/// An account that can be linked as far as the account knows.
pub(super) fn card_rows(id: AccountId, account: &Account) -> Vec<CoupleCardRow> {
    if account.is_shared() {
        return Vec::new();
    }
    vec![CoupleCardRow { account_id: id }]
}

pub(super) fn suggested_rows(id: AccountId, account: &Account) -> Vec<SuggestedLinkRow> {
    let row = |(member, suggestion): (&CaseId, &domain::account::Suggestion)| SuggestedLinkRow {
        account_id: id,
        member: *member,
        since_on: suggestion.mark.on,
        phone: suggestion.matches.contains(&Match::Phone),
        address: suggestion.matches.contains(&Match::Address),
        card: suggestion.matches.contains(&Match::Card),
    };
    account.suggested.iter().map(row).collect()
}

pub(super) fn refused_rows(id: AccountId, account: &Account) -> Vec<RefusedLinkRow> {
    account
        .refused
        .iter()
        .map(|member| RefusedLinkRow { account_id: id, member: *member })
        .collect()
}

/// Pairs that share a telephone or an address, which any two of three include, then what they share,
/// then without those a person refused and those suggested for the very same reasons.
fn candidates(of_one: &str) -> String {
    let side = |key: &str| {
        format!(
            "SELECT t.case_id AS one, o.case_id AS two, pt.phone_key = po.phone_key AS phone, \
             pt.address_key = po.address_key AS address, \
             COALESCE(pt.card_key = po.card_key, FALSE) AS card FROM couple_contact t \
             JOIN person pt ON pt.firm = t.firm AND pt.person = t.case_id \
             JOIN person po ON po.firm = t.firm AND po.{key} = pt.{key} AND po.person <> pt.person \
             JOIN couple_contact o ON {} AND o.case_id = po.person \
             WHERE {} AND {of_one}",
            beside("o", "t"),
            active("t")
        )
    };
    format!(
        "WITH pair AS ({} UNION {}), matched AS (SELECT pair.one, pair.two, pair.phone, pair.address, \
         pair.card, t.firm, t.generation FROM pair \
         JOIN couple_card t ON {} AND t.account_id = pair.one \
         JOIN couple_card o ON {} AND o.account_id = pair.two) \
         SELECT CASE WHEN m.one < m.two THEN m.one ELSE m.two END AS first, \
         CASE WHEN m.one < m.two THEN m.two ELSE m.one END AS second FROM matched m \
         WHERE ((m.phone AND m.address) OR (m.phone AND m.card) OR (m.address AND m.card)) \
         AND NOT EXISTS (SELECT 1 FROM refused_link r WHERE {} \
         AND ((r.account_id = m.one AND r.member = m.two) OR (r.account_id = m.two AND r.member = m.one))) \
         AND NOT EXISTS (SELECT 1 FROM suggested_link s WHERE {} \
         AND ((s.account_id = m.one AND s.member = m.two) OR (s.account_id = m.two AND s.member = m.one)) \
         AND s.phone = m.phone AND s.address = m.address AND s.card = m.card) \
         ORDER BY first, second LIMIT $2",
        side("phone_key"),
        side("address_key"),
        active("t"),
        beside("o", "t"),
        beside("r", "m"),
        beside("s", "m")
    )
}

static CANDIDATES: Statement = Statement::new(|| candidates("t.case_id < o.case_id"));

static CANDIDATES_OF: Statement = Statement::new(|| candidates("t.case_id = $3"));

static SUGGESTED: Statement = Statement::new(|| {
    format!(
        "SELECT {} FROM suggested_link t JOIN couple_card one ON {} AND one.account_id = t.account_id \
         JOIN couple_card two ON {} AND two.account_id = t.member \
         WHERE {} AND (t.account_id, t.member) > ($2, $3) ORDER BY t.account_id, t.member LIMIT $4",
        SuggestedLinkRow::TABLE.selected("t"),
        beside("one", "t"),
        beside("two", "t"),
        active("t")
    )
});

#[cfg(test)]
pub(super) static STATEMENTS: &[&Statement] = &[&CANDIDATES, &CANDIDATES_OF, &SUGGESTED];

impl Store {
    /// Pairs of cases to compare, of one case or of all. A pair is given until it is linked,
    /// suggested for what matches now, or refused by a person: the caller keeps no position.
    pub async fn couple_candidates(
        &self,
        firm: FirmId,
        case: Option<CaseId>,
        rows: u32,
    ) -> Result<Vec<CoupleCandidate>, StoreError> {
        match case {
            None => self.fetch(&CANDIDATES, vec![Value::Id(firm.0), limit(rows)]).await,
            Some(case) => {
                self.fetch(&CANDIDATES_OF, vec![Value::Id(firm.0), limit(rows), case.put()]).await
            }
        }
    }

    /// Suggestions that wait for a person, of pairs still unlinked; `after` is the last of the page
    /// before.
    pub async fn list_suggested_links(
        &self,
        firm: FirmId,
        after: Option<(AccountId, CaseId)>,
        rows: u32,
    ) -> Result<Vec<SuggestedLinkRow>, StoreError> {
        let nil = uuid::Uuid::nil();
        let (account, member) = after.unwrap_or((AccountId(nil), CaseId(nil)));
        self.fetch(&SUGGESTED, vec![Value::Id(firm.0), account.put(), member.put(), limit(rows)])
            .await
    }
}
