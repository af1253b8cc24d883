//! A bookkeeper's month at the command line: what the bank and the processor say, what is proved by it,
//! and the close.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on ends there")]

use crate::common;

use std::fs;

use common::Desk;

const PAID: &str = "{\"outcome\":\"settled\",\"invoice\":1,\"payment\":\"pay-1\",\"amount_minor\":19900,\
                    \"on\":\"2025-05-01\"}\n";
/// Told late: a round that left in the cancellation days, so that nothing allowed any fee of Ada's.
const EARLY: &str = r#"{"name":"firms/-/cases/00000000-0000-7000-8000-0000000000c1","actions":[
    {"occurredOn":{"year":2025,"month":3,"day":4},"noteRoundSent":{"letters":[
    {"bureau":"harbor","items":["a"],"mailClass":"MAIL_CLASS_CERTIFIED"}]}}]}"#;
const PAYOUTS: &str = "Batch,Date,Id,Type,Gross,Kept\npo-1,2025-05-02,pay-1,sale,199.00,5.97\n";
const PAYOUT_COLUMNS: &str = r#"{"form": {"date_format": "%Y-%m-%d"}, "payout": "Batch",
    "paid_on": "Date", "name": "Id", "kind": "Type", "kinds": {"sale": "payment"},
    "amount": "Gross", "costs": "Kept"}"#;

/// A statement of an invented account: the payout's 193.03, and 12.00 that the bank charged.
fn statement(closing: &str) -> String {
    let amount = |minor: &str, way: &str| {
        format!("<Amt Ccy=\"USD\">{minor}</Amt><CdtDbtInd>{way}</CdtDbtInd>")
    };
    let balance = |code: &str, minor: &str| {
        let amount = amount(minor, "CRDT");
        let day = if code == "CLBD" { "2025-05-31" } else { "2025-05-01" };
        format!(
            "<Bal><Tp><CdOrPrtry><Cd>{code}</Cd></CdOrPrtry></Tp>{amount}<Dt><Dt>{day}</Dt></Dt></Bal>"
        )
    };
    let entry = |minor: &str, way: &str, day: &str, reference: &str| {
        format!(
            "<Ntry>{}<Sts>BOOK</Sts><BookgDt><Dt>{day}</Dt></BookgDt><BkTxCd/><NtryDtls><TxDtls>\
             <Refs><EndToEndId>{reference}</EndToEndId></Refs><RmtInf><Ustrd>For Ada Lark</Ustrd>\
             </RmtInf></TxDtls></NtryDtls></Ntry>",
            amount(minor, way)
        )
    };
    format!(
        "<Document xmlns=\"urn:iso:std:iso:20022:tech:xsd:camt.053.001.02\"><BkToCstmrStmt><Stmt>\
         <Acct><Id><Othr><Id>000123456789</Id></Othr></Id></Acct>{}{}{}{}</Stmt></BkToCstmrStmt>\
         </Document>",
        balance("OPBD", "100.00"),
        entry("193.03", "CRDT", "2025-05-05", "po-1"),
        entry("12.00", "DBIT", "2025-05-06", "NOTPROVIDED"),
        balance("CLBD", closing)
    )
}

/// A client who was billed and has paid.
fn paid() -> Desk {
    let desk = Desk::with_cases();
    desk.done(&["bill", "--as-of", "2025-05-01"]);
    desk.done(&["results", &desk.file("paid.jsonl", PAID)]);
    desk
}

const LINES: &str = "Day,In,Out\n2025-05-05,193.03,\n2025-05-06,,12.00\n";
const LINE_COLUMNS: &str =
    r#"{"form": {"date_format": "%Y-%m-%d"}, "booked_on": "Day", "credit": "In", "debit": "Out"}"#;

/// A table says nothing of the account it is of: under a second code of the firm's the same money would be there twice (common
/// practice, no source).
#[test]
fn a_table_is_of_one_account() {
    let desk = Desk::with_cases();
    for code in ["operating", "reserve"] {
        let declare = ["books", "bank-account", code, "--name", code, "--opened-on", "2025-05-01"];
        desk.done(&[&declare[..], &["--opening", "100.00"]].concat());
    }
    let (file, columns) = (desk.file("may.csv", LINES), desk.file("lines.json", LINE_COLUMNS));
    let import =
        |bank: &'static str| ["books", "import-bank", &file, "--bank", bank, "--mapping", &columns];
    assert!(desk.done(&import("operating")).contains("2 lines read, 2 of them new."));
    for also in [vec![], vec!["--dry-run"]] {
        let refused = desk.run(&[&import("reserve")[..], &also].concat());
        assert_eq!(refused.code, 3, "{refused:?}");
        for said in ["recorded as one of operating: all its 2 lines", "Nothing was recorded"] {
            assert!(refused.err.contains(said), "{refused:?}");
        }
    }
    assert!(desk.done(&import("operating")).contains("2 lines read, 0 of them new."));
    // Two accounts may have just such lines: somebody says so. The statement's balances are of one account all the same.
    let balances = ["--from", "2025-05-01", "--through", "2025-05-31"];
    let balances = [&balances[..], &["--opening", "100.00", "--closing", "281.03"]].concat();
    desk.done(&[&import("operating")[..], &balances].concat());
    let both = [&import("reserve")[..], &["--same-lines"]].concat();
    assert!(desk.done(&both).contains("2 lines read, 2 of them new."));
    let refused = desk.run(&[&both[..], &balances].concat());
    assert_eq!(refused.code, 3, "{refused:?}");
    assert!(refused.err.contains("recorded as a statement of operating"), "{refused:?}");
}

#[test]
fn a_month_from_the_banks_file_to_its_close() {
    let desk = paid();
    let wrong = desk.file("wrong.xml", &statement("281.04"));
    let ran = desk.run(&["books", "import-bank", &wrong, "--bank", "operating"]);
    assert_eq!(ran.code, 3, "{ran:?}");
    assert!(ran.err.contains("by 1 minor units") && ran.err.contains("Nothing was recorded"));
    let file = desk.file("may.xml", &statement("281.03"));
    let import = ["books", "import-bank", &file, "--bank", "operating"];
    // Another spelling would be another account: nothing is recorded of one that nobody declared.
    let undeclared = desk.run(&import);
    assert_eq!(undeclared.code, 3, "{undeclared:?}");
    assert!(undeclared.err.contains("declare operating first"), "{undeclared:?}");
    let declare = |code: &'static str| {
        [
            "books",
            "bank-account",
            code,
            "--name",
            "Operating account",
            "--last-four",
            "6789",
            "--opened-on",
            "2025-05-01",
            "--opening",
            "100.00",
        ]
    };
    desk.done(&declare("operating"));
    let alike = desk.run(&declare("Operating"));
    assert!(alike.code == 3 && alike.err.contains("in case alone"), "{alike:?}");
    let typo = desk.run(&["books", "import-bank", &file, "--bank", "Operating"]);
    assert!(typo.code == 3 && typo.err.contains("declared are operating"), "{typo:?}");
    assert!(desk.done(&["books", "chart"]).contains("6789"));
    assert!(desk.done(&[&import[..], &["--dry-run"]].concat()).contains("nothing was recorded"));
    // A file of another account proves nothing of this one.
    let other = statement("281.03").replace("000123456789", "000123454321");
    let other = desk.file("other.xml", &other);
    let refused = desk.run(&["books", "import-bank", &other, "--bank", "operating"]);
    assert!(refused.code == 3 && refused.err.contains("of an account ending 4321"), "{refused:?}");
    assert!(refused.err.contains("operating is declared as the one ending 6789"), "{refused:?}");
    let imported = desk.done(&import);
    assert!(imported.contains("2 lines read, 2 of them new."), "{imported}");
    assert!(
        imported.contains("Statement of 2025-05-01 to 2025-05-31: USD 100.00, then USD 281.03."),
        "{imported}"
    );
    assert!(desk.done(&import).contains("2 lines read, 0 of them new."));
    // A line that the bank gives back says what that means, and what may be done.
    let said = statement("281.03").replace(
        "NOTPROVIDED</EndToEndId></Refs>",
        "NOTPROVIDED</EndToEndId></Refs><RtrInf><Rsn><Cd>R01</Cd></Rsn></RtrInf>",
    );
    let returned = desk.file("returned.xml", &said);
    let import = ["books", "import-bank", &returned, "--bank", "operating", "--dry-run"];
    let said = desk.done(&import);
    assert!(
        said.contains(
            "Returned on 2025-05-06, R01: insufficient funds. A bank may say so within 2"
        ),
        "{said}"
    );
    // The 6th of May was a Tuesday: two banking days back is Friday.
    assert!(said.contains("for a payment that settled on 2025-05-02 or later"), "{said}");
    let json = &desk.run(&[&import[..], &["--json"]].concat()).json()[0]["returned"][0];
    assert_eq!(json["after"], "at most two more tries, within 180 days");
    assert_eq!(json["inTimeIfSettledFrom"], "2025-05-02");
    let (payouts, columns) =
        (desk.file("payouts.csv", PAYOUTS), desk.file("columns.json", PAYOUT_COLUMNS));
    let import = ["books", "import-payouts", &payouts, "--mapping", &columns];
    assert!(desk.done(&import).contains("1 payouts read, 1 of them new."));
    assert!(desk.done(&import).contains("1 payouts read, 0 of them new."));
    // The processor had written another sum: what takes its place is shown first, and both stay in the log.
    let other = desk.file("other.csv", &PAYOUTS.replace("5.97", "6.97"));
    let import_other = ["books", "import-payouts", &other, "--mapping", &columns];
    let refused = desk.run(&import_other);
    assert!(refused.code == 3 && refused.err.contains("says something else"), "{refused:?}");
    let instead = [&import_other[..], &["--instead-because", "The file was cut short."]].concat();
    for also in [vec!["--dry-run"], vec![]] {
        let said = desk.done(&[&instead[..], &also].concat());
        let changes =
            "recorded as USD 193.03 of 2025-05-02 with 1 movements; by the file USD 192.03 of";
        assert!(said.contains(changes), "{said}");
    }
    let back = [&import[..], &["--instead-because", "It was whole."]].concat();
    assert!(desk.done(&back).contains("1 payouts read, 1 of them new."));
    // What the bank wrote in free text, and its number of the account, are nowhere.
    let events = desk.done(&["follow", "--once", "--json"]);
    assert!(!events.contains("For Ada") && !events.contains("000123456789"), "{events}");

    let blocked = desk.run(&["books", "close", "2025-05"]);
    assert_eq!(blocked.code, 3, "{blocked:?}");
    assert!(blocked.out.contains("2 bank lines up to 2025-05-31 are not explained"), "{blocked:?}");
    let unasked = desk.run(&["books", "match", "--auto"]);
    assert_eq!(unasked.code, 3, "{unasked:?}");
    assert!(unasked.err.contains("a person confirms"), "{unasked:?}");
    assert!(desk.done(&["books", "chart"]).contains("A person confirms every match."));
    desk.done(&["books", "policy", "certain"]);
    assert!(desk.done(&["books", "chart"]).contains("is matched without a person."));
    let left = desk.done(&["books", "match", "--auto"]);
    assert!(left.contains("1 lines were named and to the cent: matched."), "{left}");
    let open = desk.run(&["books", "deposits", "--state", "open", "--json"]).json().remove(0);
    let line = open["deposits"][0]["name"].as_str().unwrap().rsplit('/').next().unwrap();
    assert_eq!(open["deposits"].as_array().unwrap().len(), 1, "{open}");
    let no = ["books", "refuse", line, "--movement", "payment:pay-1"];
    assert!(desk.done(&no).contains("not proposed for this line again"));
    assert_eq!(desk.run(&no).code, 3);
    desk.done(&["books", "book", line, "bank-costs", "--note", "Monthly charge"]);
    assert!(desk.done(&["books", "match"]).contains("Every bank line is explained."));
    // April is closed first: a fee was earned in it.
    let earlier = desk.run(&["books", "close", "2025-05"]);
    assert_eq!(earlier.code, 3, "{earlier:?}");
    assert!(
        earlier.out.contains("an earlier month has entries, from 2025-04-01 on"),
        "{earlier:?}"
    );
    desk.done(&["books", "close", "2025-04"]);
    let checked = desk.done(&["books", "check", "2025-05"]);
    for said in [
        "Nothing stands in the way",
        "Not proved: that every account the firm has at a bank was declared.",
    ] {
        assert!(checked.contains(said), "{checked}");
    }

    let trial = desk.done(&["books", "trial-balance", "2025-05"]);
    for part in ["Bank", "USD 281.03", "USD 5.97", "USD 12.00", "Debits less credits: USD 0.00."] {
        assert!(trial.contains(part), "{part}: {trial}");
    }
    // The period ran to 1 April: that is when the fee was earned, though it was invoiced in May.
    let revenue = desk.done(&["books", "revenue", "2025-04"]);
    assert!(revenue.contains("standard") && revenue.contains("USD 199.00"), "{revenue}");
    assert!(desk.done(&["books", "revenue", "2025-05"]).contains("No fee was earned"));
    assert!(desk.done(&["books", "aging", "--as-of", "2025-05-01"]).contains("Nobody owed"));
    let reconciled = desk.done(&["books", "reconcile", "2025-05", "--bank", "operating"]);
    for said in [
        "Operating account, ending 6789",
        "Balance per statement",
        "USD 281.03",
        "Statements of operating",
    ] {
        assert!(reconciled.contains(said), "{said}: {reconciled}");
    }
    let unknown = desk.run(&["books", "reconcile", "2025-05", "--bank", "savings"]);
    assert!(unknown.code == 3 && unknown.err.contains("declared are operating"), "{unknown:?}");
    desk.done(&["books", "reconcile", "2025-05", "--html", "may.html", "--pdf", "may.pdf"]);
    desk.done(&["books", "close", "2025-05"]);
    assert!(desk.done(&["books", "chart"]).contains("Closed through 2025-05-31."));
    let again = desk.run(&["books", "close", "2025-05"]);
    assert_eq!(again.code, 3, "{again:?}");
    assert!(again.err.contains("ALREADY_RECORDED"), "{again:?}");

    // What the accountant gets: tables that add up, a workbook, and what every column means.
    desk.done(&["books", "package", "2025-05", "--to", "may"]);
    let folder = desk.folder.path().join("may");
    let table = |name: &str| fs::read_to_string(folder.join(format!("{name}.csv"))).unwrap();
    let journal = table("GL_Detail");
    // Opening balance, invoice, payment, two bank lines, a match, a booking; the match has three lines.
    assert_eq!(journal.lines().count(), 1 + 7 * 2 + 1, "{journal}");
    assert!(journal.starts_with("Journal_ID,Journal_ID_Line_Number,"), "{journal}");
    assert!(table("Deposit_Proof").contains(",193.03,matched,1,199.00,5.97,"));
    assert!(
        table("Controls").contains("Difference,0.00") && table("Controls").contains("Closed,yes")
    );
    let reconciled = table("Bank_Reconciliation");
    for said in [
        "operating,2025-05-31,Balance per statement,,281.03,USD",
        "operating,,Balance per ledger,,281.03,USD",
    ] {
        assert!(reconciled.contains(said), "{said}: {reconciled}");
    }
    let dictionary = table("Data_Dictionary");
    for title in journal.lines().next().unwrap().split(',') {
        assert!(dictionary.contains(&format!("GL_Detail,{title},")), "{title} is explained");
    }
    assert!(fs::read(folder.join("Package.xlsx")).unwrap().starts_with(b"PK"), "a zip archive");
    let again = desk.run(&["books", "package", "2025-05", "--to", "may"]);
    assert_eq!(again.code, 2, "{again:?}");

    // The match is taken back after the close: it lands on the day it is told.
    let matched = desk.run(&["books", "deposits", "--state", "matched", "--json"]).json().remove(0);
    let line = matched["deposits"][0]["name"].as_str().unwrap().rsplit('/').next().unwrap();
    desk.done(&["books", "unmatch", line]);
    assert!(desk.done(&["books", "movements"]).contains("pay-1"));
    assert_eq!(desk.done(&["books", "trial-balance", "2025-05"]), trial);
    desk.done(&["books", "match", line, "--movement", "payment:pay-1", "--costs", "5.97"]);
    desk.done(&["verify"]);
}

#[test]
fn an_invoice_is_a_page_with_the_finished_work_and_the_cautions() {
    let desk = paid();
    desk.done(&["invoice", "1", "--html", "one.html"]);
    let page = fs::read_to_string(desk.folder.path().join("one.html")).unwrap();
    for part in [
        "Lantern Lane Credit Services",
        "Ada Lark",
        "2025-03-03 to 2025-04-01",
        "report import",
        "dispute round",
        "USD 199.00",
        "USD -199.00",
        "15 USC 1679e",
        "cannot be made to go away",
    ] {
        assert!(page.contains(part), "{part}: {page}");
    }
    assert_eq!(desk.run(&["invoice", "1", "--html", "one.html"]).code, 2, "it is there already");
    desk.done(&["invoice", "1", "--pdf", "one.pdf"]);
    assert!(fs::read(desk.folder.path().join("one.pdf")).unwrap().starts_with(b"%PDF-"));
}

/// 15 USC 1679b(b): no page asks for a fee that nothing allowed, and each says what goes back.
#[test]
fn a_fee_that_is_not_allowed_is_asked_for_on_no_page() {
    let early =
        |desk: &Desk| desk.done(&["import", &desk.file("early.jsonl", &EARLY.replace('\n', ""))]);
    let page = |desk: &Desk, of: &[&str]| {
        desk.done(&[of, &["--html", "page.html"]].concat());
        let path = desk.folder.path().join("page.html");
        let page = fs::read_to_string(&path).unwrap();
        fs::remove_file(path).unwrap();
        page
    };
    // Every day from the first on: it is told today, and that is when it is taken off.
    let statement = ["books", "statement", "Ada"];

    let open = Desk::with_cases();
    open.done(&["bill", "--as-of", "2025-05-01"]);
    assert!(!page(&open, &["invoice", "1"]).contains("Not allowed"));
    early(&open);
    // What was taken off is no fee of the month in which it was.
    let exposed = open.run(&["payment", "exposures", "--json"]).json().remove(0);
    let found = exposed["exposures"].as_array().unwrap().iter();
    let on = &found.last().unwrap()["foundOn"];
    let month = format!("{}-{:0>2}", on["year"], on["month"]);
    let revenue = |month: &str| {
        let answer = open.run(&["books", "revenue", month, "--json"]).json().remove(0);
        let plan = &answer["plans"][0];
        let fees = plan["fees"].as_str().map_or(0, |fees| fees.parse::<i64>().unwrap());
        (fees, plan["amount"]["units"].as_str().unwrap().to_owned())
    };
    assert_eq!(revenue("2025-04"), (1, "199".into()));
    assert_eq!(revenue(&month), (0, "-199".into()));
    let invoice = page(&open, &["invoice", "1"]);
    for part in ["Not allowed, and not asked for", "USD -199.00", "USD 0.00"] {
        assert!(invoice.contains(part), "{part}: {invoice}");
    }
    let shown = open.done(&["invoice", "1"]);
    assert!(shown.contains("USD 199.00, which is not asked for"), "{shown}");
    let shown = open.done(&statement);
    assert!(shown.contains("Taken off: a fee that is not allowed"), "{shown}");
    assert!(!shown.contains("fee marked") && shown.contains("USD 0.00"), "{shown}");

    let paid = paid();
    early(&paid);
    let invoice = page(&paid, &["invoice", "1"]);
    assert!(invoice.contains("Owed to you") && !invoice.contains("Not allowed"), "{invoice}");
    let owed = paid.run(&[&statement[..], &["--json"]].concat()).json().remove(0);
    assert_eq!((&owed["owed"], &owed["closing"]), (&"199.00".into(), &"-199.00".into()), "{owed}");
    let shown = page(&paid, &statement);
    assert!(shown.contains("Owed to you") && !shown.contains(">Open<"), "{shown}");
}

#[test]
fn a_statement_of_account_says_what_was_billed_and_paid_and_is_a_page_too() {
    let desk = paid();
    let shown = desk.done(&["books", "statement", "Ada", "--through", "2025-05-31"]);
    for part in ["Invoice 1", "Payment", "USD 199.00", "USD 0.00"] {
        assert!(shown.contains(part), "{part}: {shown}");
    }
    let json = ["books", "statement", "Ada", "--through", "2025-05-01", "--json"];
    let json = &desk.run(&json).json()[0];
    let changes: Vec<_> = json["steps"].as_array().unwrap().iter().map(|s| &s["change"]).collect();
    assert_eq!(changes, ["199.00", "-199.00"]);
    assert_eq!((&json["closing"], &json["currency"]), (&"0.00".into(), &"USD".into()));
    let after = ["books", "statement", "Ada", "--from", "2025-05-02", "--through", "2025-05-31"];
    let written = [&after[..], &["--html", "ada.html", "--pdf", "ada.pdf"]].concat();
    desk.done(&written);
    let page = fs::read_to_string(desk.folder.path().join("ada.html")).unwrap();
    for part in ["Ada Lark", "Balance before 2025-05-02", "1681i", "USD 0.00"] {
        assert!(page.contains(part), "{part}: {page}");
    }
    assert!(!page.contains("Payment pay-1"), "{page}");
    assert_eq!(desk.run(&written).code, 2, "they are there already");
    let wrong = ["books", "statement", "Ada", "--from", "2025-06-01", "--through", "2025-05-31"];
    assert!(desk.run(&wrong).err.contains("--from"));
    assert_eq!(desk.run(&["books", "statement", "Nobody"]).code, 3);
}

/// What was given up is asked for again by its payment: the client sees both, and the balance stays.
#[test]
fn a_statement_of_account_shows_what_was_paid_after_it_was_given_up() {
    let desk = Desk::with_cases();
    desk.done(&["bill", "--as-of", "2025-05-01"]);
    let write_off = ["payment", "write-off", "1", "199.00", "--reason", "given up"];
    desk.done(&[&write_off[..], &["--on", "2025-05-01"]].concat());
    desk.done(&["results", &desk.file("paid.jsonl", PAID)]);
    let json = ["books", "statement", "Ada", "--through", "2025-05-31", "--json"];
    let json = &desk.run(&json).json()[0];
    let changes: Vec<_> = json["steps"].as_array().unwrap().iter().map(|s| &s["change"]).collect();
    assert_eq!(changes, ["199.00", "-199.00", "199.00", "-199.00"], "{json}");
    assert_eq!(json["steps"][2]["what"], "Recovered: it had been given up");
    assert_eq!(json["closing"], "0.00");
}

#[test]
fn every_page_of_the_books_has_a_json_form() {
    let desk = paid();
    for arguments in [
        &["books", "chart"][..],
        &["books", "journal", "2025-05"],
        &["books", "trial-balance", "2025-05"],
        &["books", "revenue", "2025-04"],
        &["books", "aging", "--as-of", "2025-04-30"],
        &["books", "deposits"],
        &["books", "movements", "--all"],
        &["books", "match"],
        &["books", "check", "2025-04"],
    ] {
        let ran = desk.run(&[arguments, &["--json"]].concat());
        assert_eq!(ran.code, 0, "{arguments:?}: {ran:?}");
        assert_eq!(ran.json().len(), 1, "{arguments:?}");
        assert!(!desk.done(arguments).is_empty(), "{arguments:?}");
    }
    for (arguments, says) in [
        (&["books", "journal", "2025-13"][..], "YYYY-MM"),
        (&["books", "import-bank", "nowhere.xml", "--bank", "x"], "nowhere.xml"),
        (&["books", "unmatch", "x"], "invalid value"),
    ] {
        let ran = desk.run(arguments);
        assert_ne!(ran.code, 0, "{arguments:?}");
        assert!(ran.err.contains(says), "{arguments:?}: {ran:?}");
    }
}

/// A bank's statement of one month, of a version of the format: three lines that lead from one balance to the other.
fn monthly(version: &str, month: u32, opening: i64) -> (String, i64) {
    let amount = |minor: i64| {
        let way = if minor < 0 { "DBIT" } else { "CRDT" };
        let (whole, cents) = (minor.abs() / 100, minor.abs() % 100);
        format!("<Amt Ccy=\"USD\">{whole}.{cents:02}</Amt><CdtDbtInd>{way}</CdtDbtInd>")
    };
    let balance = |code: &str, minor: i64, day: u32| {
        format!(
            "<Bal><Tp><CdOrPrtry><Cd>{code}</Cd></CdOrPrtry></Tp>{}<Dt><Dt>2025-{month:02}-{day:02}</Dt></Dt></Bal>",
            amount(minor)
        )
    };
    // Two of them are alike.
    let lines = [(3, 12_005), (3, 12_005), (20, -i64::from(month) * 117)];
    let entries = lines.map(|(day, minor)| {
        format!(
            "<Ntry>{}<Sts><Cd>BOOK</Cd></Sts><BookgDt><Dt>2025-{month:02}-{day:02}</Dt></BookgDt><BkTxCd/></Ntry>",
            amount(minor)
        )
    });
    let closing = opening + lines.iter().map(|(_, minor)| minor).sum::<i64>();
    let last = [28, 31, 30][usize::try_from(month - 2).unwrap()];
    let document = format!(
        "<Document xmlns=\"urn:iso:std:iso:20022:tech:xsd:camt.053.001.{version}\"><BkToCstmrStmt><Stmt>\
         <Acct><Id><Othr><Id>000123456789</Id></Othr></Id></Acct>{}{}{}</Stmt></BkToCstmrStmt></Document>",
        balance("OPBD", opening, 1),
        balance("CLBD", closing, last),
        entries.concat()
    );
    (document, closing)
}

#[test]
fn statements_read_twice_and_in_any_order_make_the_same_books() {
    let mut opening = 10_000;
    let statements = [("02", 2), ("06", 3), ("08", 4)].map(|(version, month)| {
        let (document, closing) = monthly(version, month, opening);
        opening = closing;
        document
    });
    let books_of = |order: &[usize]| {
        let desk = Desk::with_firm();
        desk.done(&[
            "books",
            "bank-account",
            "operating",
            "--name",
            "Operating account",
            "--opened-on",
            "2025-02-01",
            "--opening",
            "100.00",
        ]);
        for at in order {
            let file = desk.file(&format!("{at}.xml"), &statements[*at]);
            desk.done(&["books", "import-bank", &file, "--bank", "operating"]);
        }
        let shown = |args: &[&str]| {
            let mut json = desk.run(&[args, &["--json"]].concat()).json().remove(0);
            json.as_object_mut().unwrap().remove("position");
            let json = json.to_string();
            // Each desk has a firm of its own.
            let firm = json.split("firms/").nth(1).map(|rest| rest[..36].to_owned());
            firm.map_or(json.clone(), |firm| json.replace(&firm, "FIRM"))
        };
        let reconciled =
            ["2025-02", "2025-03", "2025-04"].map(|month| shown(&["books", "reconcile", month]));
        (reconciled, shown(&["books", "trial-balance", "2025-04"]))
    };
    let told = books_of(&[0, 1, 2]);
    assert!(!told.0[2].contains("\"items\""), "nothing differs: {}", told.0[2]);
    assert_eq!(books_of(&[2, 1, 0, 0]), told);
    assert_eq!(books_of(&[1, 2, 0, 1, 2]), told);
}
