//! CSV (RFC 4180) by mappings that a firm declares. The tables are invented.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use counterfoil_statement::table::{self, BankMapping, PayoutMapping};
use counterfoil_statement::{Fault, PayoutLineKind};

fn bank_mapping(columns: &str) -> BankMapping {
    let text = format!(
        r#"{{"form": {{"date_format": "%m/%d/%Y"}}, "booked_on": "Posted", "references": ["Ref"], {columns}}}"#
    );
    serde_json::from_str(&text).unwrap()
}

fn bank(text: &str, columns: &str) -> Result<counterfoil_statement::Statement, Fault> {
    table::bank(text.as_bytes(), "operating", &bank_mapping(columns))
}

#[test]
fn one_column_of_amounts_or_two_say_the_same() {
    let one =
        "\u{feff}Posted,Ref,Amount\r\n03/02/2026,po-1,\"1,234.56\"\r\n03/03/2026,,(15.00)\r\n";
    let two = "Posted,Ref,In,Out\n03/02/2026,po-1,1234.56,\n03/03/2026,,,15.00\n\n";
    let one = bank(one, r#""amount": "Amount""#).unwrap();
    let two = bank(two, r#""credit": "In", "debit": "Out""#).unwrap();
    assert_eq!(one, two);
    let amounts: Vec<i64> = one.lines.iter().map(|line| line.amount_minor).collect();
    assert_eq!(amounts, [123_456, -1_500]);
    assert_eq!(one.lines[0].references, ["po-1"]);
}

#[test]
fn what_is_wrong_is_named_by_line_and_column() {
    let amount = r#""amount": "Amount""#;
    for (text, at, place, rule) in [
        ("Posted,Ref,Amount\n03/02/2026,x,1\n13/02/2026,x,1\n", Some(3), "Posted", "%m/%d/%Y"),
        ("Posted,Ref,Amount\n03/02/2026,x,1.005\n", Some(2), "Amount", "minor units"),
        ("Posted,Ref,Amount\n03/02/2026,x\n", Some(2), "", "has 2 columns"),
        ("Posted,Ref\n", None, "Amount", "does not have"),
        ("Posted,Ref,Amount,Ref\n", None, "Ref", "two columns"),
    ] {
        let found = bank(text, amount).unwrap_err();
        assert_eq!((found.at, found.place.as_str()), (at, place), "{found}");
        assert!(found.rule.contains(rule), "{found}");
    }
    let neither = bank("Posted,Ref,In,Out\n03/02/2026,x,,\n", r#""credit": "In", "debit": "Out""#);
    assert_eq!(neither.unwrap_err().at, Some(2));
    let both = bank("Posted,Ref,In\n", r#""amount": "In", "credit": "In""#);
    assert!(both.unwrap_err().rule.contains("either amount"));
    assert!(table::bank(b"\xff\xfe", "x", &bank_mapping(amount)).is_err());
}

fn payout_mapping() -> PayoutMapping {
    serde_json::from_str(
        r#"{"form": {"date_format": "%Y-%m-%d", "delimiter": ";", "skip_lines": 1},
            "payout": "Batch", "paid_on": "Date", "name": "Id", "kind": "Type",
            "kinds": {"sale": "payment", "return": "refund", "dispute": "chargeback", "fee": "costs"},
            "amount": "Gross", "costs": "Kept"}"#,
    )
    .unwrap()
}

#[test]
fn a_payout_is_gathered_from_its_rows_with_its_costs() {
    let text = "Report of March\nBatch;Date;Id;Type;Gross;Kept\n\
                po-1;2026-03-02;pay-1;sale;99.00;2.87\npo-2;2026-03-03;pay-9;sale;79.00;2.30\n\
                po-1;2026-03-02;ref-1;return;-20.00;\npo-1;2026-03-02;m-1;fee;-5.00;\n";
    let payouts = table::payouts(text.as_bytes(), &payout_mapping()).unwrap();
    assert_eq!(payouts.len(), 2);
    let first = &payouts[0];
    assert_eq!((first.name.as_str(), first.costs_minor), ("po-1", 787));
    assert_eq!(first.net_minor(), 9_900 - 2_000 - 787);
    let kinds: Vec<PayoutLineKind> = first.lines.iter().map(|line| line.kind).collect();
    assert_eq!(kinds, [PayoutLineKind::Payment, PayoutLineKind::Refund]);
    for (row, at, place) in [
        ("po-1;2026-03-02;pay-1;gift;1.00;", Some(3), "Type"),
        ("po-1;2026-03-02;;sale;1.00;", Some(3), "Id"),
        ("po-1;2026-03-02;ref-1;return;20.00;", Some(3), "Gross"),
        (";2026-03-02;pay-1;sale;1.00;", Some(3), "Batch"),
        // A few hundred costs of so much would be more than 64 bits hold.
        ("po-1;2026-03-02;pay-1;sale;1.00;999999999999999.00", Some(3), "Kept"),
    ] {
        let text = format!("Report\nBatch;Date;Id;Type;Gross;Kept\n{row}\n");
        let found = table::payouts(text.as_bytes(), &payout_mapping()).unwrap_err();
        assert_eq!((found.at, found.place.as_str()), (at, place), "{found}");
    }
}
