//! Lives of clients that are told in order or late: for benches.

use api::google::r#type::Date;
use api::v1::{self, action};
use calendar::CivilDate;
use chrono::{Datelike as _, Days};
use domain::command::{CaseAction, Command, Dated, SendRound};
use domain::event::{
    Basis, BasisAttested, Direction, ItemOutcome, Letter, LetterDelivered, MailClass,
    MessageLogged, Outcome, ProgressReportSent, ResponseReceived,
};
use domain::ids::ItemCode;

use crate::bulk;
use crate::history::{bureau, case_id, personal, plain_report, plain_start, usd};

/// Listings of each report.
const ITEMS: u8 = 3;

fn day(text: &str) -> CivilDate {
    text.parse().expect("a date of ours")
}

fn after(day: CivilDate, days: u64) -> CivilDate {
    day + Days::new(days)
}

fn item(number: u8) -> ItemCode {
    ItemCode::parse(&format!("item-{number}")).expect("a code of ours")
}

/// A client of so many months whose every period is billed: commands, each on its day.
pub fn long_life(number: u32, months: u32, messages: usize) -> Vec<(CivilDate, Command)> {
    let signed = day("2021-03-01");
    let case = |on: CivilDate, actions: Vec<CaseAction>| {
        let dated = |action| Dated { occurred_at: None, occurred_on: on, action };
        let actions = actions.into_iter().map(dated).collect();
        (on, Command::Case { case: case_id(number), expected_version: None, actions })
    };
    let mut start = plain_start(number);
    for action in &mut start {
        if let CaseAction::SignConsent(agreement) = action {
            agreement.total_of_payments = usd(2_000_000);
        }
    }
    for at in 0..3 {
        start.push(CaseAction::ImportReport(plain_report(at, signed, ITEMS)));
        start.extend((0..ITEMS).map(|of| {
            CaseAction::AttestBasis(BasisAttested {
                basis: Basis::NotMine,
                bureau: bureau(at),
                item: item(of),
                statement: None,
            })
        }));
    }
    let mut told = vec![case(signed, start), case(after(signed, 7), vec![CaseAction::OpenWork])];
    for month in 0..months {
        let on = |days: u64| after(signed, u64::from(month) * 30 + days);
        for at in 0..3 {
            told.push(case(on(8), vec![CaseAction::ImportReport(plain_report(at, on(8), ITEMS))]));
        }
        let letter = |at| Letter {
            bureau: bureau(at),
            document: None,
            items: vec![item(0), item(1)],
            mail_class: MailClass::Certified,
            tracking: None,
        };
        let letters = (0..3).map(letter).collect();
        let round = SendRound { completes_before: None, letters };
        told.push(case(on(9), vec![CaseAction::SendRound(round)]));
        let progress = ProgressReportSent { completes_before: None, document: None };
        told.push(case(on(10), vec![CaseAction::ProgressReportSent(progress)]));
        for at in 0..3 {
            let (bureau, round) = (bureau(at), month + 1);
            let delivered = LetterDelivered { bureau: bureau.clone(), round };
            told.push(case(on(12), vec![CaseAction::LetterDelivered(delivered)]));
            let verified = |of| ItemOutcome { item: item(of), outcome: Outcome::Verified };
            let outcomes = vec![verified(0), verified(1)];
            let answer =
                ResponseReceived { bureau, determined_on: None, document: None, outcomes, round };
            told.push(case(on(25), vec![CaseAction::ReceiveResponse(answer)]));
        }
        let message = || {
            let text = personal(bulk::MESSAGE);
            let direction = Direction::Incoming;
            CaseAction::MessageLogged(MessageLogged { complaint: false, direction, text })
        };
        let messages: Vec<CaseAction> = (0..messages).map(|_| message()).collect();
        told.extend(messages.chunks(100).map(|some| case(on(26), some.to_vec())));
        let account = case_id(number).own_account();
        told.push((on(31), Command::BillAccount { account, as_of: on(31) }));
    }
    told
}

/// Facts of such a client told long after: answers, progress reports and reports of the days between, in one request.
pub fn told_late(number: u32, months: u32, count: u32) -> Command {
    let signed = day("2021-03-01");
    let fact = |at: u32| {
        let month = at % months;
        let on = after(signed, u64::from(month) * 30 + 13 + u64::from(at / months));
        let bureau_at = usize::try_from(at % 3).expect("a bureau of three");
        let action = match at % 3 {
            0 => CaseAction::ProgressReportSent(ProgressReportSent {
                completes_before: None,
                document: None,
            }),
            1 => CaseAction::ImportReport(plain_report(bureau_at, on, ITEMS)),
            _ => CaseAction::ReceiveResponse(ResponseReceived {
                bureau: bureau(bureau_at),
                determined_on: None,
                document: None,
                outcomes: vec![ItemOutcome { item: item(0), outcome: Outcome::Verified }],
                round: month + 1,
            }),
        };
        Dated { occurred_at: None, occurred_on: on, action }
    };
    Command::Case {
        case: case_id(number),
        expected_version: None,
        actions: (0..count).map(fact).collect(),
    }
}

/// Whether facts are told on their days.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Telling {
    /// On its day, each.
    InOrder,
    /// Three in ten one to ten days late.
    Late,
}

/// A month of facts of some clients of the bulk firm, as their firm tells them day by day, one fact a request.
pub fn month_of_facts(
    firm: &str,
    clients: impl Iterator<Item = u32>,
    telling: Telling,
) -> Vec<v1::RecordRequest> {
    let mut told = Vec::new();
    for client in clients {
        for (at, (on, fact)) in facts().into_iter().enumerate() {
            let at = u64::try_from(at).expect("few facts");
            // A round comes before what is told of its letters.
            let is_late = telling == Telling::Late
                && !matches!(fact, action::Action::NoteRoundSent(_))
                && (at * 7 + u64::from(client)) % 20 < 7;
            let days_late = if is_late { 1 + (at + u64::from(client)) % 10 } else { 0 };
            told.push((after(on, days_late), client, bulk::record(firm, client, date(on), [fact])));
        }
    }
    told.sort_by_key(|(told_on, client, _)| (*told_on, *client));
    told.into_iter().map(|(.., request)| request).collect()
}

fn date(on: CivilDate) -> Date {
    let part = |part: u32| i32::try_from(part).expect("a part of a date");
    Date { year: on.year(), month: part(on.month()), day: part(on.day()) }
}

/// What happens in three weeks of a client, each fact with its day.
fn facts() -> Vec<(CivilDate, action::Action)> {
    let mut facts = Vec::new();
    for week in 0..3_u8 {
        let on = |days: u64| after(day("2025-03-10"), u64::from(week) * 7 + days);
        let name = bureau(week.into()).to_string();
        let round = i32::from(week) + 1;
        let seen = |number| v1::ItemSeen {
            item: format!("item-{number}"),
            kind: v1::ItemKind::Collection.into(),
            furnisher: "Example Collections".into(),
            ..v1::ItemSeen::default()
        };
        let report = |on| v1::ImportReport {
            bureau: name.clone(),
            issued_on: Some(date(on)),
            items: (0..ITEMS).map(seen).collect(),
            ..v1::ImportReport::default()
        };
        let letter = v1::Letter {
            bureau: name.clone(),
            items: vec!["item-0".into()],
            mail_class: v1::MailClass::Certified.into(),
            ..v1::Letter::default()
        };
        let sent = v1::SendRound { completes_before: false, letters: vec![letter] };
        let delivered = v1::LetterDelivered { bureau: name.clone(), round };
        let outcome =
            v1::ItemOutcome { item: "item-0".into(), outcome: v1::Outcome::Verified.into() };
        let answer = v1::ReceiveResponse {
            bureau: name.clone(),
            round,
            outcomes: vec![outcome],
            ..v1::ReceiveResponse::default()
        };
        let message = v1::MessageLogged {
            direction: v1::Direction::Outgoing.into(),
            text: bulk::MESSAGE.into(),
            complaint: false,
        };
        let progress = v1::ProgressReportSent::default();
        facts.extend([
            (on(0), action::Action::ImportReport(report(on(0)))),
            (on(1), action::Action::NoteRoundSent(sent)),
            (on(2), action::Action::ProgressReportSent(progress)),
            (on(3), action::Action::LetterDelivered(delivered)),
            (on(4), action::Action::MessageLogged(message)),
            (on(5), action::Action::ReceiveResponse(answer)),
            (on(6), action::Action::ImportReport(report(on(6)))),
        ]);
    }
    facts
}
