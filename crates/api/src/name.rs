//! Resource names (AIP-122): `firms/{firm}/cases/{case}` and its like.

use domain::codec::INTEGER_MAX;
use domain::ids::{AccountId, CaseId, DepositId, FirmId};
use uuid::Uuid;

/// Stands for an id that the service is to find (AIP-159).
const ANY: &str = "-";
/// Stands for the largest checkpoint there is.
const LATEST: &str = "latest";

/// Ids in names are lower-case hyphenated UUIDs, so that one resource has one name.
fn id(text: &str) -> Option<Uuid> {
    Uuid::try_parse(text).ok().filter(|id| id.hyphenated().to_string() == text)
}

/// The segment after `collection/`, and what follows it.
fn segment<'a>(text: &'a str, collection: &str) -> Option<(&'a str, &'a str)> {
    let rest = text.strip_prefix(collection)?.strip_prefix('/')?;
    Some(rest.split_once('/').unwrap_or((rest, "")))
}

fn below<'a>(text: &'a str, collection: &str) -> Option<(FirmId, &'a str)> {
    let (firm, rest) = segment(text, "firms")?;
    let (child, end) = segment(rest, collection)?;
    let whole = end.is_empty() && !text.ends_with('/');
    whole.then_some((FirmId(id(firm)?), child))
}

/// Reads `firms/{firm}`.
pub fn parse_firm(text: &str) -> Option<FirmId> {
    id(text.strip_prefix("firms/")?).map(FirmId)
}

/// Reads `firms/{firm}/cases/{case}`.
pub fn parse_case(text: &str) -> Option<(FirmId, CaseId)> {
    let (firm, case) = below(text, "cases")?;
    Some((firm, CaseId(id(case)?)))
}

/// Reads `firms/{firm}/accounts/{account}`.
pub fn parse_account(text: &str) -> Option<(FirmId, AccountId)> {
    let (firm, account) = below(text, "accounts")?;
    Some((firm, AccountId(id(account)?)))
}

/// Reads `firms/{firm}/accounts/-`: an account of the firm that something else leads to.
pub fn parse_any_account(text: &str) -> Option<FirmId> {
    let (firm, account) = below(text, "accounts")?;
    (account == ANY).then_some(firm)
}

/// Reads `firms/{firm}/invoices/{number}`; numbers count from 1 and have no leading zero.
pub fn parse_invoice(text: &str) -> Option<(FirmId, u64)> {
    let (firm, number) = below(text, "invoices")?;
    Some((firm, counted(number)?))
}

/// A number that counts from 1, as it is written: no leading zero, none that is never written.
fn counted(text: &str) -> Option<u64> {
    let value: u64 = text.parse().ok()?;
    (1..=INTEGER_MAX).contains(&value).then_some(value).filter(|value| value.to_string() == text)
}

/// Reads `firms/{firm}/deposits/{deposit}`.
pub fn parse_deposit(text: &str) -> Option<(FirmId, DepositId)> {
    let (firm, deposit) = below(text, "deposits")?;
    Some((firm, DepositId(id(deposit)?)))
}

/// Writes `firms/{firm}/deposits/{deposit}`.
pub fn deposit(firm: FirmId, deposit: DepositId) -> String {
    format!("firms/{firm}/deposits/{deposit}")
}

/// Reads `firms/{firm}/checkpoints/{size}`, or `firms/{firm}/checkpoints/latest` as no size.
pub fn parse_checkpoint(text: &str) -> Option<(FirmId, Option<u64>)> {
    let (firm, size) = below(text, "checkpoints")?;
    if size == LATEST {
        return Some((firm, None));
    }
    Some((firm, Some(counted(size)?)))
}

/// Writes `firms/{firm}/checkpoints/{size}`.
pub fn checkpoint(firm: FirmId, size: u64) -> String {
    format!("firms/{firm}/checkpoints/{size}")
}

/// Writes `firms/{firm}/checkpoints/latest`.
pub fn latest_checkpoint(firm: FirmId) -> String {
    format!("firms/{firm}/checkpoints/{LATEST}")
}

/// Writes `firms/{firm}/accounts/-`.
pub fn any_account(firm: FirmId) -> String {
    format!("firms/{firm}/accounts/{ANY}")
}

/// Writes `firms/{firm}`.
pub fn firm(firm: FirmId) -> String {
    format!("firms/{firm}")
}

/// Writes `firms/{firm}/cases/{case}`.
pub fn case(firm: FirmId, case: CaseId) -> String {
    format!("firms/{firm}/cases/{case}")
}

/// Writes `firms/{firm}/accounts/{account}`.
pub fn account(firm: FirmId, account: AccountId) -> String {
    format!("firms/{firm}/accounts/{account}")
}

/// Writes `firms/{firm}/invoices/{number}`.
pub fn invoice(firm: FirmId, number: u64) -> String {
    format!("firms/{firm}/invoices/{number}")
}

#[cfg(test)]
mod tests {
    use super::*;

    const FIRM: &str = "018f2b6e-0000-7000-8000-000000000001";
    const CASE: &str = "018f2b6e-0000-7000-8000-0000000000c1";

    #[test]
    fn names_read_back_as_they_were_written() {
        let (firm_id, case_id) = parse_case(&format!("firms/{FIRM}/cases/{CASE}")).unwrap();
        assert_eq!(case(firm_id, case_id), format!("firms/{FIRM}/cases/{CASE}"));
        assert_eq!(parse_firm(&firm(firm_id)), Some(firm_id));
        let own = case_id.own_account();
        assert_eq!(parse_account(&account(firm_id, own)), Some((firm_id, own)));
        assert_eq!(parse_invoice(&invoice(firm_id, 7)), Some((firm_id, 7)));
        let line = DepositId(case_id.0);
        assert_eq!(parse_deposit(&deposit(firm_id, line)), Some((firm_id, line)));
        let kept = checkpoint(firm_id, 17);
        assert_eq!(parse_checkpoint(&kept), Some((firm_id, Some(17))));
        let latest = latest_checkpoint(firm_id);
        assert_eq!(parse_checkpoint(&latest), Some((firm_id, None)));
        let any = any_account(firm_id);
        assert_eq!((parse_any_account(&any), parse_account(&any)), (Some(firm_id), None));
        assert_eq!(parse_any_account(&account(firm_id, own)), None);
    }

    #[test]
    fn one_resource_has_one_name() {
        let upper = CASE.to_uppercase();
        for wrong in [
            format!("firms/{FIRM}/cases/{upper}"),
            format!("firms/{FIRM}/cases/{CASE}/"),
            format!("firms/{FIRM}/cases/{CASE}/rounds/1"),
            format!("/firms/{FIRM}/cases/{CASE}"),
            format!("firms/{FIRM}/accounts/{CASE}"),
            format!("firms//cases/{CASE}"),
            String::new(),
        ] {
            assert_eq!(parse_case(&wrong), None, "{wrong}");
        }
        for number in ["0", "007", "-1", "+1", "one", "18446744073709551616"] {
            assert_eq!(parse_invoice(&format!("firms/{FIRM}/invoices/{number}")), None, "{number}");
        }
        assert_eq!(parse_firm(&format!("firms/{FIRM}/")), None);
    }
}
