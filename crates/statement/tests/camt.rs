//! Bank statements in XML. The first is the minimal document of camt.053.001.02 that PyPI `xmlschema`
//! accepts against ISO 20022's own schema; the others are generated from it.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use chrono::NaiveDate;
use counterfoil_statement::{Fault, Statement, camt};
use proptest::prelude::*;

/// Valid against camt.053.001.02.xsd (checked with PyPI `xmlschema`).
const MINIMAL: &str = r#"<Document xmlns="urn:iso:std:iso:20022:tech:xsd:camt.053.001.02"><BkToCstmrStmt>
 <GrpHdr><MsgId>STMT-2026-03-02</MsgId><CreDtTm>2026-03-03T06:00:00</CreDtTm></GrpHdr>
 <Stmt><Id>STMT-2026-03-02-001</Id><CreDtTm>2026-03-03T06:00:00</CreDtTm>
  <Acct><Id><Othr><Id>000123456789</Id></Othr></Id><Ccy>USD</Ccy></Acct>
  <Bal><Tp><CdOrPrtry><Cd>OPBD</Cd></CdOrPrtry></Tp><Amt Ccy="USD">1000.00</Amt><CdtDbtInd>CRDT</CdtDbtInd><Dt><Dt>2026-03-02</Dt></Dt></Bal>
  <Bal><Tp><CdOrPrtry><Cd>CLBD</Cd></CdOrPrtry></Tp><Amt Ccy="USD">999.00</Amt><CdtDbtInd>CRDT</CdtDbtInd><Dt><Dt>2026-03-02</Dt></Dt></Bal>
  <Ntry><Amt Ccy="USD">99.00</Amt><CdtDbtInd>CRDT</CdtDbtInd><Sts>BOOK</Sts><BookgDt><Dt>2026-03-02</Dt></BookgDt><ValDt><Dt>2026-03-02</Dt></ValDt>
   <AcctSvcrRef>BANKREF-1</AcctSvcrRef><BkTxCd><Prtry><Cd>ACH-CR</Cd></Prtry></BkTxCd>
   <NtryDtls><TxDtls><Refs><EndToEndId>INV-2026-0001</EndToEndId></Refs><RmtInf><Ustrd>Invoice 2026-0001</Ustrd></RmtInf></TxDtls></NtryDtls></Ntry>
  <Ntry><Amt Ccy="USD">100.00</Amt><CdtDbtInd>DBIT</CdtDbtInd><RvslInd>true</RvslInd><Sts>BOOK</Sts><BookgDt><Dt>2026-03-02</Dt></BookgDt><ValDt><Dt>2026-03-02</Dt></ValDt>
   <AcctSvcrRef>BANKREF-2</AcctSvcrRef><BkTxCd><Prtry><Cd>ACH-RTN</Cd></Prtry></BkTxCd>
   <NtryDtls><TxDtls><Refs><EndToEndId>INV-2026-0000</EndToEndId></Refs><RtrInf><Rsn><Cd>AC04</Cd></Rsn><AddtlInf>R02 Account Closed</AddtlInf></RtrInf></TxDtls></NtryDtls></Ntry>
 </Stmt></BkToCstmrStmt></Document>"#;

fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

fn one(text: &str) -> Statement {
    let mut statements = camt::read(text.as_bytes()).unwrap();
    assert_eq!(statements.len(), 1);
    statements.remove(0)
}

fn fault(text: &str) -> Fault {
    camt::read(text.as_bytes()).unwrap_err()
}

#[test]
fn the_minimal_document_reads_as_it_says() {
    let statement = one(MINIMAL);
    assert_eq!((statement.account.as_str(), statement.currency.as_str()), ("000123456789", "USD"));
    let [credit, back] = statement.lines.as_slice() else { panic!() };
    assert_eq!((credit.amount_minor, credit.booked_on), (9_900, day("2026-03-02")));
    assert_eq!(credit.references, ["BANKREF-1", "INV-2026-0001"]);
    assert_eq!((back.amount_minor, back.return_reason.as_deref()), (-10_000, Some("AC04")));
    assert_ne!(credit.hash, back.hash);
    assert_eq!(one(MINIMAL), statement, "read again it is the same");
}

#[test]
fn every_version_from_02_to_08_is_read_and_no_other() {
    for version in 2..=8 {
        // From version 08 on a status is a choice, as it is in 12's schema.
        let mut text = MINIMAL.replace("camt.053.001.02", &format!("camt.053.001.{version:02}"));
        if version == 8 {
            text = text.replace("<Sts>BOOK</Sts>", "<Sts><Cd>BOOK</Cd></Sts>");
        }
        assert_eq!(one(&text).lines, one(MINIMAL).lines, "version {version}");
        let prefixed = text
            .replace("xmlns=", "xmlns:b=")
            .replace("</", "</b:")
            .replace('<', "<b:")
            .replace("<b:/b:", "</b:");
        assert_eq!(one(&prefixed).lines, one(MINIMAL).lines, "version {version}, prefixed");
    }
    for other in ["camt.053.001.01", "camt.053.001.12", "camt.052.001.02", "pain.001.001.03"] {
        let found = fault(&MINIMAL.replace("camt.053.001.02", other));
        assert!(found.rule.contains(other), "{found}");
    }
}

#[test]
fn what_is_not_booked_is_counted_and_left_out() {
    let text =
        MINIMAL.replacen("<Sts>BOOK</Sts>", "<Sts>PDNG</Sts>", 1).replace("999.00", "900.00");
    let statement = one(&text);
    assert_eq!((statement.lines.len(), statement.pending), (1, 1));
}

#[test]
fn a_statement_that_does_not_add_up_is_refused_with_the_difference() {
    let found = fault(&MINIMAL.replace("999.00", "999.01"));
    assert!(found.rule.contains("by 1 minor units"), "{found}");
}

#[test]
fn lines_that_are_alike_stay_two_and_overlapping_files_give_the_same() {
    let entry = MINIMAL.find("  <Ntry>").unwrap()..MINIMAL.rfind("  <Ntry>").unwrap();
    let plain = MINIMAL[entry.clone()]
        .replace("BANKREF-1", "SAME")
        .replace("<EndToEndId>INV-2026-0001</EndToEndId>", "<EndToEndId>NOTPROVIDED</EndToEndId>");
    let with = |entries: &str, closing: &str| {
        let text = format!("{}{entries}{}", &MINIMAL[..entry.start], &MINIMAL[entry.end..]);
        one(&text.replace("999.00", closing))
    };
    let both = with(&plain.repeat(2), "1098.00");
    assert_eq!(both.lines[0].references, ["SAME"]);
    assert_ne!(both.lines[0].hash, both.lines[1].hash);
    let three = with(&plain.repeat(3), "1197.00");
    assert_eq!(
        both.lines[..2].iter().map(|l| l.hash).collect::<Vec<_>>(),
        three.lines[..2].iter().map(|l| l.hash).collect::<Vec<_>>()
    );
}

#[test]
fn encodings_are_read_as_declared_or_refused() {
    let named = MINIMAL.replace("Invoice 2026-0001", "R\u{e9}f 2026-0001");
    let lines = one(MINIMAL).lines;
    let utf16: Vec<u8> =
        "\u{feff}".encode_utf16().chain(named.encode_utf16()).flat_map(u16::to_le_bytes).collect();
    assert_eq!(camt::read(&utf16).unwrap()[0].lines, lines);
    let latin = format!("<?xml version=\"1.0\" encoding='ISO-8859-1'?>{named}");
    let latin: Vec<u8> = latin.chars().map(|c| u8::try_from(c).unwrap()).collect();
    assert_eq!(camt::read(&latin).unwrap()[0].lines, lines);
    // The same bytes without their declaration are no UTF-8.
    let undeclared = &latin[latin.iter().position(|byte| *byte == b'>').unwrap() + 1..];
    assert!(camt::read(undeclared).unwrap_err().rule.contains("encoding"));
    for (name, rule) in [("UTF-16", "byte order mark"), ("EBCDIC-X", "not known")] {
        let text = format!("<?xml version=\"1.0\" encoding=\"{name}\"?>{MINIMAL}");
        assert!(fault(&text).rule.contains(rule), "{name}");
    }
}

#[test]
fn hostile_files_are_refused_and_none_is_half_read() {
    let bomb = format!(
        "<?xml version=\"1.0\"?><!DOCTYPE lolz [<!ENTITY a \"aaaaaaaaaa\">{}]>{}",
        (0..9).map(|n| format!("<!ENTITY a{n} \"&a;&a;&a;&a;&a;\">")).collect::<Vec<_>>().concat(),
        MINIMAL.replace("BANKREF-1", "&a8;")
    );
    assert!(fault(&bomb).rule.contains("document type"), "{}", fault(&bomb));
    let entity = fault(&MINIMAL.replace("BANKREF-1", "&a8;"));
    assert_eq!((entity.at, entity.rule.contains("entity")), (Some(1), true));
    let deep = MINIMAL.replace("BANKREF-1", &"<a>".repeat(60));
    assert!(fault(&deep).rule.contains("nested"), "{}", fault(&deep));
    let long = MINIMAL.replace("BANKREF-1", &"x".repeat(5_000));
    assert!(fault(&long).rule.contains("bytes of text"));
    let large = vec![b' '; counterfoil_statement::FILE_BYTES_MAX + 1];
    assert!(camt::read(&large).unwrap_err().rule.contains("MiB"));
    for wrong in ["", "<", "hello", "<Document/>", "\u{0}\u{0}", "<a><b></a></b>"] {
        assert!(camt::read(wrong.as_bytes()).is_err(), "{wrong:?}");
    }
    // XML 1.0 section 2.2: neither is a character, however it is written.
    for none in ["\u{0}", "\u{b}", "\u{ffff}", "&#1;"] {
        let refused = fault(&MINIMAL.replace("BANKREF-1", &format!("BANK{none}REF")));
        assert!(refused.rule.contains("no character of XML"), "{none:?}: {refused}");
    }
    // Cut short at any byte but the last white space it is an error, never a shorter statement.
    for end in 0..MINIMAL.len() {
        assert!(camt::read(&MINIMAL.as_bytes()[..end]).is_err(), "cut at {end}");
    }
}

#[test]
fn a_wrong_entry_is_named_with_its_element_and_rule() {
    for (from, to, at, place, rule) in [
        (">99.00</Amt>", ">99.005</Amt>", Some(1), "Ntry/Amt", "whole minor units"),
        // Ninety entries of so much would be more than 64 bits hold, and would wrap to a small sum.
        (">99.00</Amt>", ">999999999999999.00</Amt>", Some(1), "Ntry/Amt", "at most"),
        (">99.00</Amt>", ">-99.00</Amt>", Some(1), "Ntry/Amt", "without a sign"),
        ("100.00</Amt>", "1e2</Amt>", Some(2), "Ntry/Amt", "decimal number"),
        ("<BookgDt><Dt>2026-03-02", "<BookgDt><Dt>2026-02-30", Some(1), "BookgDt/Dt", "a day"),
        ("Ccy=\"USD\">99.00", "Ccy=\"EUR\">99.00", Some(1), "Ntry", "account's currency"),
        ("Ccy=\"USD\">99.00", "Xyz=\"USD\">99.00", Some(1), "Ntry/Amt", "its currency"),
        ("<Othr><Id>000123456789</Id></Othr>", "<Othr></Othr>", None, "Stmt", "its account"),
    ] {
        let found = fault(&MINIMAL.replacen(from, to, 1));
        assert_eq!(found.at, at, "{found}");
        assert!(found.place.ends_with(place) && found.rule.contains(rule), "{found}");
        assert!(!found.to_string().contains("99.005"), "the value is not repeated");
    }
}

proptest! {
    #[test]
    fn a_generated_statement_reads_back(
        entries in prop::collection::vec((-1_000_000_i64..1_000_000, 1_u32..28, "[A-Z0-9-]{1,35}"), 0..40),
        opening in -1_000_000_i64..1_000_000,
    ) {
        let amount = |minor: i64| {
            let (sign, minor) = (if minor < 0 { "DBIT" } else { "CRDT" }, minor.abs());
            format!("<Amt Ccy=\"USD\">{}.{:02}</Amt><CdtDbtInd>{sign}</CdtDbtInd>", minor / 100, minor % 100)
        };
        let balance = |code: &str, minor: i64| format!(
            "<Bal><Tp><CdOrPrtry><Cd>{code}</Cd></CdOrPrtry></Tp>{}<Dt><Dt>2026-03-{}</Dt></Dt></Bal>",
            amount(minor), if code == "OPBD" { "01" } else { "31" }
        );
        let sum: i64 = entries.iter().map(|(minor, ..)| minor).sum();
        let list: Vec<String> = entries.iter().map(|(minor, day, reference)| format!(
            "<Ntry>{}<Sts>BOOK</Sts><BookgDt><DtTm>2026-03-{day:02}T23:59:59-05:00</DtTm></BookgDt>\
             <BkTxCd/><NtryDtls><Btch><NbOfTxs>2</NbOfTxs></Btch><TxDtls><Refs><TxId>{reference}</TxId>\
             </Refs></TxDtls></NtryDtls></Ntry>",
            amount(*minor)
        )).collect();
        let text = format!(
            "<Document xmlns=\"urn:iso:std:iso:20022:tech:xsd:camt.053.001.04\"><BkToCstmrStmt><Stmt>\
             <Acct><Id><IBAN>XX00EXAMPLE</IBAN></Id></Acct>{}{list}{}</Stmt></BkToCstmrStmt></Document>",
            balance("OPBD", opening), balance("CLBD", opening + sum), list = list.concat()
        );
        let read = one(&text);
        prop_assert_eq!(read.lines.len(), entries.len());
        let mut hashes = std::collections::HashSet::new();
        for (line, (minor, day, reference)) in read.lines.iter().zip(&entries) {
            prop_assert_eq!(line.amount_minor, *minor);
            prop_assert_eq!(line.booked_on, NaiveDate::from_ymd_opt(2026, 3, *day).unwrap());
            prop_assert_eq!(&line.references, std::slice::from_ref(reference));
            prop_assert!(hashes.insert(line.hash));
        }
    }
}

/// Statements that go on from each other are one; days or balances that are missing between them leave two.
#[test]
fn statements_that_go_on_from_each_other_are_one() {
    let of = |from: &str, through: &str, balances: (Option<i64>, Option<i64>)| Statement {
        account: "ACCOUNT".into(),
        currency: "USD".into(),
        lines: Vec::new(),
        pending: 1,
        from: Some(from.parse().unwrap()),
        through: Some(through.parse().unwrap()),
        opening_minor: balances.0,
        closing_minor: balances.1,
    };
    let count = |of: Vec<Statement>| counterfoil_statement::joined(of).len();
    let monday = || of("2026-03-02", "2026-03-02", (Some(5), Some(7)));
    let joined = counterfoil_statement::joined([
        monday(),
        of("2026-03-03", "2026-03-04", (Some(7), Some(9))),
    ]);
    let whole = Statement { pending: 2, ..of("2026-03-02", "2026-03-04", (Some(5), Some(9))) };
    assert_eq!(joined, [whole]);
    assert_eq!(count(vec![monday(), of("2026-03-03", "2026-03-03", (Some(8), Some(9)))]), 2);
    assert_eq!(count(vec![monday(), of("2026-03-04", "2026-03-04", (Some(7), Some(9)))]), 2);
    // Pages: the first has the opening balance, the last the closing one.
    let first = of("2026-03-02", "2026-03-31", (Some(5), None));
    let last = of("2026-03-02", "2026-03-31", (None, Some(9)));
    assert_eq!(counterfoil_statement::joined([first, last])[0].closing_minor, Some(9));
}

/// A statement is of the days that it says: they are not moved to hold a line of another day.
#[test]
fn a_line_of_a_day_outside_of_its_statement_is_refused() {
    let said =
        "<FrToDt><FrDtTm>2026-03-01T00:00:00</FrDtTm><ToDtTm>2026-03-01T23:59:59</ToDtTm></FrToDt>";
    let later = MINIMAL.replace("<Acct>", &format!("{said}<Acct>"));
    assert_eq!(one(&later).from, Some(day("2026-03-01")), "the balances say its last day");
    let found = fault(&MINIMAL.replacen("<BookgDt><Dt>2026-03-02", "<BookgDt><Dt>2026-03-03", 1));
    assert!(found.rule.contains("outside of its own, 2026-03-02 to 2026-03-02"), "{found}");
    let before = MINIMAL.replacen("<BookgDt><Dt>2026-03-02", "<BookgDt><Dt>2026-02-28", 1);
    let found = fault(&before.replace("<Acct>", &format!("{said}<Acct>")));
    assert!(found.rule.contains("outside of its own, 2026-03-01 to 2026-03-02"), "{found}");
}

/// ISO 20022, BalanceType12Code: OPBD is the book balance "at the beginning of the account reporting period" and "always
/// equals the closing book balance from the previous report" (from memory). What was booked on a weekend is reported with the
/// Monday, by which many banks date that balance too.
#[test]
fn the_opening_balance_of_a_report_is_before_every_line_of_it() {
    let weekend = MINIMAL.replacen("<BookgDt><Dt>2026-03-02", "<BookgDt><Dt>2026-02-28", 1);
    let read = one(&weekend);
    assert_eq!((read.from, read.through), (Some(day("2026-02-28")), Some(day("2026-03-02"))));
    assert_eq!((read.opening_minor, read.closing_minor), (Some(100_000), Some(99_900)));
}

#[test]
fn a_statement_says_its_days_and_balances() {
    let read = one(MINIMAL);
    assert_eq!((read.opening_minor, read.closing_minor), (Some(100_000), Some(99_900)));
    assert_eq!(read.through.map(|day| day.to_string()).as_deref(), Some("2026-03-02"));
}
