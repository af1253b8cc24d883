//! Files that banks, processors and bundles' bearers hand over.

use std::collections::BTreeSet;
use std::io::Write as _;
use std::sync::LazyLock;

use ::bundle::Trust;
use statement::table::{BankMapping, PayoutMapping};
use statement::{Fault, LINES_MAX, REFERENCES_MAX, Statement};

/// A bank's XML: every line has its own hash, and nothing goes beyond the limits.
pub(crate) fn camt(bytes: &[u8]) {
    match statement::camt::read(bytes) {
        Ok(statements) => {
            assert!(!statements.is_empty());
            check(&statements);
        }
        Err(fault) => refused(&fault),
    }
}

/// Tables: the first byte says which mapping, the rest is the table.
pub(crate) fn table(bytes: &[u8]) {
    let Some((which, file)) = bytes.split_first() else { return };
    let (banks, payouts) = &*MAPPINGS;
    let which = usize::from(*which) % (banks.len() + payouts.len());
    if let Some(mapping) = banks.get(which) {
        match statement::table::bank(file, "operating", mapping) {
            Ok(statement) => check(&[statement]),
            Err(fault) => refused(&fault),
        }
        return;
    }
    match statement::table::payouts(file, &payouts[which - banks.len()]) {
        Ok(payouts) => {
            for payout in payouts {
                assert!(!payout.name.is_empty());
                // Summed as wide as it takes: what is shown as the net is the net.
                let lines = payout.lines.iter().map(|line| i128::from(line.amount_minor));
                let net = lines.sum::<i128>() - i128::from(payout.costs_minor);
                assert_eq!(i128::from(payout.net_minor()), net);
            }
        }
        Err(fault) => refused(&fault),
    }
}

static MAPPINGS: LazyLock<(Vec<BankMapping>, Vec<PayoutMapping>)> = LazyLock::new(|| {
    let banks = [
        r#"{"form": {"date_format": "%m/%d/%Y"}, "booked_on": "Posted", "value_on": "Value",
            "references": ["Ref", "Memo"], "amount": "Amount", "return_reason": "Reason"}"#,
        r#"{"form": {"date_format": "%Y-%m-%d", "delimiter": ";", "decimal_mark": ",",
            "currency": "BHD", "skip_lines": 1}, "booked_on": "D", "credit": "In", "debit": "Out"}"#,
    ];
    let payouts = [
        r#"{"form": {"date_format": "%Y-%m-%d"}, "payout": "P", "paid_on": "D", "name": "N",
            "kind": "K", "kinds": {"sale": "payment", "return": "refund", "dispute": "chargeback",
            "won": "chargeback_won", "fee": "costs"}, "amount": "A", "costs": "C"}"#,
        r#"{"form": {"date_format": "%d.%m.%Y", "delimiter": "\t", "decimal_mark": ",",
            "currency": "BHD"}, "payout": "P", "paid_on": "D", "name": "N", "kind": "K",
            "kinds": {"in": "payment", "out": "refund", "fee": "costs"}, "amount": "A"}"#,
    ];
    let banks = banks.map(|text| serde_json::from_str(text).expect("a mapping"));
    let payouts = payouts.map(|text| serde_json::from_str(text).expect("a mapping"));
    (banks.into(), payouts.into())
});

fn check(statements: &[Statement]) {
    let mut hashes = BTreeSet::new();
    for statement in statements {
        assert!(!statement.account.is_empty());
        assert!(statement.lines.len() <= LINES_MAX);
        for line in &statement.lines {
            assert!(line.references.len() <= REFERENCES_MAX);
            assert!(hashes.insert(line.hash), "two lines have one hash");
        }
    }
}

/// A fault may name an element or a column as the file has it; whoever shows it on a terminal escapes.
fn refused(fault: &Fault) {
    assert!(!fault.rule.is_empty());
    assert!(fault.to_string().ends_with(&fault.rule));
}

/// An archive: the verifier answers, whatever it is.
pub(crate) fn bundle(bytes: &[u8]) {
    let mut file = tempfile::NamedTempFile::new().expect("room for a file");
    file.write_all(bytes).expect("room for a file");
    match ::bundle::verify(file.path(), &Trust::default(), |_, _| {}) {
        Ok(verified) => {
            for finding in verified.findings {
                crate::check_words(&finding.to_string());
            }
        }
        Err(error) => crate::check_words(&error.to_string()),
    }
}
