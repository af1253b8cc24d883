//! What cannot have happened, whoever says so.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use common::*;
use counterfoil_domain::command::{
    AccountAction, CaseAction, Chargeback, Command, Dated, Enrol, FirmAction, NoteExposure,
    PaymentReceived,
};
use counterfoil_domain::event::{ExposureKind, StandingKind, StandingRecorded};
use counterfoil_domain::ids::StateCode;
use counterfoil_domain::refusal::Reason;

#[test]
fn nobody_enrols_before_they_are_born() {
    let mut desk = Desk::open();
    for (born, on) in [("9999-12-31", "2026-03-02"), ("2026-03-03", "2026-03-02")] {
        let enrol = Enrol { birth_date: personal(born), ..enrol() };
        let refusal = desk.refusal(case(2), on, CaseAction::Enrol(Box::new(enrol)));
        is(&refusal, Reason::DateImpossible);
        assert!(!refusal.to_string().contains(born), "no personal value: {refusal}");
    }
    desk.act(case(2), "2026-03-02", CaseAction::Enrol(Box::new(enrol())));
}

#[test]
fn what_is_at_stake_is_an_amount() {
    let mut desk = Desk::open();
    desk.act(case(2), "2026-03-02", CaseAction::Enrol(Box::new(enrol())));
    let kind = ExposureKind::FeeAskedUnearned;
    let noted = |minor| {
        CaseAction::NoteExposure(NoteExposure { amount: Some(usd(minor)), kind, period: None })
    };
    for minor in [-500, 0] {
        is(&desk.refusal(case(2), "2026-03-02", noted(minor)), Reason::ValueRefused);
    }
    desk.act(case(2), "2026-03-02", noted(500));
}

#[test]
fn a_bond_is_an_amount() {
    let mut desk = Desk::open();
    let mut bond = |minor| {
        let standing = StandingRecorded {
            amount: Some(usd(minor)),
            document: None,
            kind: StandingKind::Bond,
            state: StateCode::parse("CA").unwrap(),
            valid_from: day("2026-01-01"),
            valid_through: day("2026-12-31"),
        };
        let action = FirmAction::RecordStanding(standing);
        desk.command(&Command::Firm {
            action: Dated { occurred_at: None, occurred_on: day("2026-01-02"), action },
        })
    };
    for minor in [-100, 0] {
        let refusal = bond(minor).unwrap_err();
        is(&refusal, Reason::ValueRefused);
        assert_eq!(refusal.violations[0].subject, "standing.amount");
    }
    bond(100).unwrap();
}

#[test]
fn a_chargeback_is_not_answered_before_it_is_opened() {
    let mut desk = Desk::open();
    desk.act(case(2), "2026-03-02", CaseAction::Enrol(Box::new(enrol())));
    let account = case(2).own_account();
    let paid = PaymentReceived { amount: usd(5_000), invoice: None, payment: reference("pay-1") };
    desk.try_account(account, "2026-03-02", AccountAction::PaymentReceived(paid)).unwrap();
    let mut opened = |by: &str| {
        let chargeback = Chargeback {
            amount: usd(5_000),
            chargeback: reference("cb-1"),
            payment: reference("pay-1"),
            respond_by: Some(day(by)),
        };
        desk.try_account(account, "2026-03-09", AccountAction::OpenChargeback(chargeback))
    };
    for by in ["1900-01-01", "2026-03-08"] {
        is(&opened(by).unwrap_err(), Reason::DateImpossible);
    }
    opened("2026-03-09").unwrap();
}

/// 15 USC 1679b(b) forbids money before the service is performed, whoever sold it; 16 CFR 310.4(a)(2) is about sales by
/// telephone alone.
#[test]
fn a_fee_that_was_asked_for_cites_the_rule_of_telephone_sales_only_where_that_gate_is_closed() {
    use counterfoil_domain::gates::Gate;
    let performed = [Gate::FullyPerformed];
    assert_eq!(ExposureKind::cites_of_fee(&performed), "15 USC 1679b(b)");
    let by_telephone = [Gate::FullyPerformed, Gate::Telemarketing];
    let both = "15 USC 1679b(b); 16 CFR 310.4(a)(2)";
    assert_eq!(ExposureKind::cites_of_fee(&by_telephone), both);
}
