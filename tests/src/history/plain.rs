//! Papers without anything random in them.

use calendar::{CivilDate, PeriodRule};
use domain::command::{CaseAction, Enrol, ImportReport, SignConsent};
use domain::event::{
    Address, Card, Contact, DisclosureAcknowledged, DisclosureDelivered, IdentityPaperAccepted,
    IdentityPaperReceived, ItemKind, ItemSeen, PaperKind, ReportSourceConnected, Score,
};
use domain::ids::{DocumentHash, ItemCode, PaperCode, StateCode};
use domain::terms::{Channel, Sale, Seat};
use domain::value::Personal;

use super::{bureau, personal, plan_code, text, usd};

pub(super) fn item(number: u8) -> ItemCode {
    ItemCode::parse(&format!("item-{number}")).expect("a code of ours")
}

pub(super) fn card(token: &str) -> Card {
    Card {
        expires: text("2029-08"),
        last4: personal("4242"),
        token: Personal::card_token(token).expect("a code of ours"),
    }
}

pub(super) fn contact(number: u32, household: u32, state: &str, spelled_out: bool) -> Contact {
    let street = if spelled_out { "North Main Street" } else { "N MAIN ST" };
    Contact {
        address: Address {
            city: personal("Exampleton"),
            line1: personal(&format!("{household} {street}")),
            line2: Some(personal("Apt 4")),
            state: StateCode::parse(state).expect("a state"),
            zip: personal("60600"),
        },
        email: personal(&format!("client{number}@example.com")),
        name: personal(&format!("Client {number}")),
        phone: Personal::phone(&format!("+1202555{:04}", 100 + household % 100)).expect("a number"),
    }
}

/// An enrolment without anything random in it.
pub(super) fn plain_enrolment(number: u32, sale: Sale, seat: Seat) -> Enrol {
    Enrol {
        billing: PeriodRule::every_days(30).expect("a rule within bounds"),
        birth_date: personal("1981-02-03"),
        card: Some(card(&format!("tok_c{number}"))),
        contact: contact(number, 100_000 + number, "IL", true),
        plan: plan_code(),
        sale,
        seat,
        ssn_last4: None,
        zone: None,
    }
}

/// Everything from an enrolment in person up to the first report, as one request tells it.
pub(crate) fn plain_start(number: u32) -> Vec<CaseAction> {
    let sale = Sale {
        channel: Channel::InPerson,
        evidence: Some(DocumentHash([5; 32])),
        promised_days: 60,
    };
    let mut actions = vec![
        CaseAction::Enrol(Box::new(plain_enrolment(number, sale, Seat::Individual))),
        CaseAction::DisclosureDelivered(DisclosureDelivered { document: None }),
        CaseAction::DisclosureAcknowledged(DisclosureAcknowledged { document: None }),
        CaseAction::SignConsent(SignConsent {
            activity: [].into(),
            items: None,
            languages: None,
            plan: None,
            copies_given: true,
            document: None,
            e_sign_consent: true,
            promised: Vec::new(),
            total_of_payments: usd(200_000),
        }),
    ];
    for (code, kind) in [("photo", PaperKind::PhotoId), ("home", PaperKind::Residence)] {
        let paper = PaperCode::parse(code).expect("a code of ours");
        let received = IdentityPaperReceived { document: None, kind, paper: paper.clone() };
        actions.push(CaseAction::IdentityPaperReceived(received));
        actions.push(CaseAction::IdentityPaperAccepted(IdentityPaperAccepted { paper }));
    }
    let source = ReportSourceConnected { source: text("source") };
    actions.push(CaseAction::ReportSourceConnected(source));
    actions
}

/// A report of a bureau with so many items.
pub(crate) fn plain_report(at: usize, issued_on: CivilDate, items: u8) -> ImportReport {
    let seen = |number: u8| ItemSeen {
        balance: Some(usd(50_000)),
        delinquent_since: None,
        furnisher: text("Example Collections"),
        item: item(number),
        kind: ItemKind::ALL[usize::from(number) % ItemKind::ALL.len()],
    };
    ImportReport {
        bureau: bureau(at),
        card_balance: Some(usd(100_000)),
        completes_before: None,
        card_limit: Some(usd(300_000)),
        document: None,
        free_annual: false,
        inquiries: 2,
        issued_on,
        items: (0..items).map(seen).collect(),
        score: Some(Score { model: text("Model 8"), value: 581 }),
    }
}
