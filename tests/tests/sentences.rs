//! What pages say of money, work and days is so: for each sentence a history in which it is printed, and one in which
//! it must not be, since it would not follow from the events.

use calendar::CivilDate;
use counterfoil_tests::bundles::{Unpacked, bytes, export};
use counterfoil_tests::reclaimed::{Desk, case, enrolment, reference, work};

use bundle::Request;
use domain::command::{
    AccountAction, Becomes, CaseAction, Command, CorrectedBy, Correction, PaymentReceived, Refund,
};
use domain::event::{CaseEvent, EndedBy, Event, Recorded, ReportSourceConnected, ServiceEnded};
use domain::money::{Currency, Money};
use domain::value::{Personal, Text};

fn day(text: &str) -> CivilDate {
    text.parse().expect("a date of ours")
}

fn usd(minor: i64) -> Money {
    Money::new(minor, Currency::USD).expect("an amount")
}

fn personal(text: &str) -> Personal {
    Personal::parse(text).expect("a text")
}

/// A client who enrolled on 3 March 2025.
fn enrolled() -> Desk {
    let mut desk = Desk::open();
    desk.tell("2025-03-03", "2025-03-03", enrolment());
    desk
}

/// The same, of the offer without a promise, told in another request.
fn without_a_promise() -> Desk {
    let mut desk = Desk::open();
    let mut actions = enrolment();
    for action in &mut actions {
        if let CaseAction::Enrol(enrol) = action {
            enrol.sale.promised_days = 0;
        }
    }
    desk.tell("2025-03-03", "2025-03-03", actions);
    desk
}

/// The first month's work, on days that the agreement allows.
fn worked() -> Desk {
    let mut desk = enrolled();
    let opened = [CaseAction::OpenWork].into_iter().chain(work("2025-03-10", 0, None));
    desk.tell("2025-03-10", "2025-03-10", opened);
    desk
}

fn billed() -> Desk {
    let mut desk = worked();
    let account = case().own_account();
    desk.play("2025-04-02", Command::BillAccount { account, as_of: day("2025-04-02") });
    desk
}

fn paid() -> Desk {
    let mut desk = billed();
    let payment = reference("pay-1");
    let paid = PaymentReceived { amount: usd(14_900), invoice: Some(1), payment };
    desk.account("2025-04-03", AccountAction::PaymentReceived(paid));
    desk
}

/// Money that came on the day of enrolment.
fn paid_at_once() -> Desk {
    let mut desk = enrolled();
    let payment = reference("pay-0");
    let paid = PaymentReceived { amount: usd(5_000), invoice: None, payment };
    desk.account("2025-03-03", AccountAction::PaymentReceived(paid));
    desk
}

fn last(desk: &Desk, is_it: fn(&CaseEvent) -> bool) -> Recorded {
    let mut log = desk.0.log.iter().rev();
    let found = log.find(|recorded| matches!(&recorded.event, Event::Case(event) if is_it(event)));
    found.expect("such a fact").clone()
}

fn correct(desk: &mut Desk, told: &Recorded, becomes: Becomes) {
    correct_of(desk, told, becomes, false);
}

fn correct_of(desk: &mut Desk, told: &Recorded, becomes: Becomes, about_another: bool) {
    let correction = Correction {
        about_another,
        becomes,
        reason: personal("typed from another file"),
        replaces: Box::new(told.clone()),
        said_by: personal("the clerk"),
        told: Box::new(told.clone()),
    };
    let corrections = vec![correction];
    let command = Command::Correct {
        by: CorrectedBy::Anyone,
        case: case(),
        expected_version: None,
        corrections,
    };
    desk.play("2025-04-10", command);
}

/// A claimed and paid fee whose round did not happen.
fn round_taken_back(mut desk: Desk) -> Desk {
    let round = last(&desk, |event| matches!(event, CaseEvent::RoundSent(_)));
    correct(&mut desk, &round, Becomes::Nothing);
    desk
}

/// A client whose first report was taken back, as another person's or not.
fn report_taken_back(about_another: bool) -> Desk {
    let mut desk = enrolled();
    let report = last(&desk, |event| matches!(event, CaseEvent::ReportImported(_)));
    correct_of(&mut desk, &report, Becomes::Nothing, about_another);
    desk
}

/// A claimed and paid fee whose progress report was of another day.
fn progress_moved() -> Desk {
    let mut desk = paid();
    let sent = last(&desk, |event| matches!(event, CaseEvent::ProgressReportSent(_)));
    correct(&mut desk, &sent, Becomes::OnDay(day("2025-03-12")));
    desk
}

/// The acknowledgement and the signing of one day, told apart, without an order: the fee is unproved.
fn unproved() -> Desk {
    let mut desk = billed();
    let told = last(&desk, |event| matches!(event, CaseEvent::DisclosureAcknowledged(_)));
    let Event::Case(CaseEvent::DisclosureAcknowledged(e)) = told.event.clone() else {
        unreachable!("it was looked for");
    };
    let action = CaseAction::DisclosureAcknowledged(e);
    correct(&mut desk, &told, Becomes::Nothing);
    desk.tell("2025-04-11", "2025-03-03", [action]);
    desk
}

fn refunded() -> Desk {
    let mut desk = round_taken_back(paid());
    let (amount, payment) = (usd(14_900), reference("pay-1"));
    let back = Refund { amount, payment, reason: None, refund: reference("back-1"), request: None };
    desk.account("2025-04-12", AccountAction::Refund(back));
    desk
}

/// A round after the end of the service.
fn worked_after_the_end() -> Desk {
    let mut desk = enrolled();
    let ended = CaseAction::EndService(ServiceEnded { by: EndedBy::Client, reason: None });
    desk.tell("2025-03-10", "2025-03-10", [ended]);
    let round = work("2025-03-12", 0, None).into_iter().filter_map(|action| match action {
        CaseAction::SendRound(round) => Some(CaseAction::NoteRoundSent(round)),
        _ => None,
    });
    desk.tell("2025-03-12", "2025-03-12", round);
    desk
}

/// The same on a day of April on which something is told that no fee looks at.
fn later(mut desk: Desk) -> Desk {
    let source = ReportSourceConnected { source: Text::parse("another source").expect("a text") };
    desk.tell("2025-04-05", "2025-04-05", [CaseAction::ReportSourceConnected(source)]);
    desk
}

fn note(desk: &Desk) -> String {
    let files = Unpacked::of(&export(&bytes(&desk.0.log), Request::All));
    let name = files.0.keys().find(|name| name.starts_with("report/")).expect("a file note");
    files.text(name)
}

/// A sentence of a file note, when it is said, a history in which it is, and one in which it must not be.
struct Sentence {
    says: &'static str,
    when: &'static str,
    holds: fn() -> Desk,
    not: fn() -> Desk,
}

const SENTENCES: &[Sentence] = &[
    Sentence {
        says: "No invoice, charge or payment of the client's account is on record through that day.",
        when: "nothing was asked or paid through the day of enrolment",
        holds: paid,
        not: paid_at_once,
    },
    Sentence {
        says: "USD 50.00 was paid on the client's account through that day.",
        when: "money came through the day of enrolment",
        holds: paid_at_once,
        not: paid,
    },
    Sentence {
        says: "Results were promised within",
        when: "the sale named a time frame",
        holds: enrolled,
        not: without_a_promise,
    },
    Sentence {
        says: "The first work was done on 10 March 2025, in days that an agreement allowed.",
        when: "an agreement allowed the day of the first work",
        holds: worked,
        not: worked_after_the_end,
    },
    Sentence {
        says: "The first work was done on 12 March 2025, which no agreement allowed.",
        when: "no agreement allowed the day of the first work",
        holds: worked_after_the_end,
        not: worked,
    },
    Sentence {
        says: "No signature for it is on record.",
        when: "no acknowledgement stands",
        holds: || {
            let mut desk = enrolled();
            let told = last(&desk, |event| matches!(event, CaseEvent::DisclosureAcknowledged(_)));
            correct(&mut desk, &told, Becomes::Nothing);
            desk
        },
        not: enrolled,
    },
    Sentence {
        says: "No fee was claimed.",
        when: "no fee ever was, also none that was given back",
        holds: worked,
        not: refunded,
    },
    Sentence {
        says: "No invoice or payment is on record.",
        when: "neither is",
        holds: worked,
        not: refunded,
    },
    Sentence {
        says: "On what is known now every gate held for it, asked for on 2 April 2025.",
        when: "every gate holds as of the day of asking",
        holds: paid,
        not: || round_taken_back(paid()),
    },
    Sentence {
        says: "a round of dispute letters of 10 March 2025 and",
        when: "the round that the claim names stands as it was told",
        holds: paid,
        not: || round_taken_back(paid()),
    },
    Sentence {
        says: "a round of dispute letters of 10 March 2025 (which was taken back at position",
        when: "the round that the claim names was taken back",
        holds: || round_taken_back(paid()),
        not: paid,
    },
    Sentence {
        says: " It followed from position ",
        when: "what was listed follows from a report that was taken back",
        holds: || report_taken_back(false),
        not: paid,
    },
    Sentence {
        says: "What followed from position ",
        when: "what was listed follows from a report of another person",
        holds: || report_taken_back(true),
        not: || report_taken_back(false),
    },
    Sentence {
        says: "item-0 is listed at west",
        when: "the report is the client's own",
        holds: || report_taken_back(false),
        not: || report_taken_back(true),
    },
    Sentence {
        says: ", of 12 March 2025)",
        when: "work that the claim names was of another day",
        holds: progress_moved,
        not: paid,
    },
    Sentence {
        says: "Nothing on record shows the right to it, asked for on 2 April 2025.",
        when: "a gate is unknown as of the day of asking",
        holds: unproved,
        not: billed,
    },
    Sentence {
        says: "USD 149.00 of it is open, and is not asked for until every gate holds.",
        when: "something is open of a fee that is unproved",
        holds: unproved,
        not: billed,
    },
    Sentence {
        says: "USD 149.00 is owed to the client",
        when: "it was collected for what nothing allowed and is not given back",
        holds: || round_taken_back(paid()),
        not: refunded,
    },
    Sentence {
        says: "USD 149.00 was given back or credited",
        when: "it was",
        holds: refunded,
        not: || round_taken_back(paid()),
    },
    Sentence {
        says: "is not to be asked for, because these gates do not hold",
        when: "a period that is over is held",
        holds: refunded,
        not: paid,
    },
    Sentence {
        says: "may be asked for, since every gate holds",
        when: "a period that is over is claimable",
        holds: || later(worked()),
        not: || later(enrolled()),
    },
];

#[test]
fn each_sentence_of_a_file_note_follows_from_the_events() {
    for Sentence { says, when, holds, not } in SENTENCES {
        let (said, unsaid) = (note(&holds()), note(&not()));
        let page = |text: &str| text.replace("</p>", "\n").replace("</dd>", "\n");
        assert!(said.contains(says), "{says:?}, said when {when}: {}", page(&said));
        assert!(!unsaid.contains(says), "{says:?}, only when {when}: {}", page(&unsaid));
    }
}
