//! What the random firm does as a firm: packs that somebody stands for, that come late, that end or that nobody
//! reads; a bond with a hole; a plan with two versions.

use calendar::CivilDate;
use domain::command::FirmAction;
use domain::event::{
    BureauRegistered, FirmRegistered, PackConfirmed, PackUsedAtOwnRisk, StandingEndReason,
    StandingEnded, StandingKind, StandingRecorded,
};
use domain::ids::StateCode;
use domain::money::{Currency, Money};
use domain::rules::{Dimension, EXAMPLE_PACKS, RulePack};
use domain::terms::{Plan, Prices, Work};

use super::{BUREAUS, bureau, plan_code, text, usd, zone};

/// Invented readings of states' laws. Illinois adds nothing, Ohio is read late and its second version asks for
/// statements, nobody knows Maine's law after its last day, nobody read all of Nevada's, and nobody stands for
/// Iowa's. Montana has no pack at all.
const INVENTED: [&str; 6] = [
    r#"{"code": "us-il", "version": 1, "state": "IL", "in_force_from": "2020-01-01",
        "confirmed_by_counsel": false, "nothing_is_added": true, "note": "invented"}"#,
    r#"{"code": "us-oh", "version": 1, "state": "OH", "in_force_from": "2020-01-01",
        "confirmed_by_counsel": false, "note": "invented",
        "cancellation": {"days": 5, "calendar": "every_day", "cites": "an invented act"},
        "perform_within": {"days": 150, "cites": "an invented act"}}"#,
    r#"{"code": "us-oh", "version": 2, "state": "OH", "in_force_from": "2025-06-10",
        "confirmed_by_counsel": false, "note": "invented",
        "monthly_statement": {"within_days": 5, "cites": "an invented act"}}"#,
    r#"{"code": "us-me", "version": 1, "state": "ME", "in_force_from": "2020-01-01",
        "in_force_through": "2025-06-20", "confirmed_by_counsel": false, "nothing_is_added": true,
        "note": "invented"}"#,
    r#"{"code": "us-nv", "version": 1, "state": "NV", "in_force_from": "2020-01-01",
        "confirmed_by_counsel": false, "note": "invented",
        "read": ["cancellation", "monthly_statement", "prohibited", "registration", "security",
                 "telemarketing"]}"#,
    r#"{"code": "us-ia", "version": 1, "state": "IA", "in_force_from": "2020-01-01",
        "confirmed_by_counsel": false, "nothing_is_added": true, "note": "invented"}"#,
];

/// Where a client of a number lives: most of them in a state whose law is known.
pub(super) fn home(number: u32) -> &'static str {
    match number % 40 {
        0 | 10 | 20 | 30 => "CA",
        1 => "GA",
        2 | 12 | 22 => "TX",
        4 | 14 | 24 => "OH",
        6 | 26 => "ME",
        8 => "NV",
        15 => "IA",
        16 => "MT",
        _ => "IL",
    }
}

/// What the firm does before its first client, and what it does later, by its day.
pub(super) struct Plans {
    pub(super) at_once: Vec<FirmAction>,
    pub(super) later: Vec<(CivilDate, FirmAction)>,
}

pub(super) fn plans(first_day: CivilDate) -> Plans {
    let after = |days: u64| first_day + chrono::Days::new(days);
    let mut at_once = vec![FirmAction::Register(FirmRegistered {
        currency: Currency::USD,
        invoice_due_days: 2,
        name: text("Lantern Lane Credit Services"),
        transit_days: 3,
        zone: zone(),
    })];
    at_once.extend(BUREAUS.iter().enumerate().map(|(at, name)| {
        FirmAction::RegisterBureau(BureauRegistered {
            address: text("PO Box 7, Exampleton"),
            bureau: bureau(at),
            name: text(name),
        })
    }));
    let mut later = Vec::new();
    for pack in EXAMPLE_PACKS.iter().chain(&INVENTED).map(|json| read(json)) {
        let adopt = FirmAction::AdoptPack(Box::new(pack.clone()));
        // Ohio's law is known late, in both versions.
        match (pack.code.as_str(), pack.version) {
            ("us-oh", 1) => {
                later.push((after(55), adopt));
                later.extend(backed(&pack).map(|backed| (after(75), backed)));
            }
            ("us-oh", _) => {
                later.push((after(190), adopt));
                later.extend(backed(&pack).map(|backed| (after(215), backed)));
            }
            _ => {
                at_once.push(adopt);
                at_once.extend(backed(&pack));
            }
        }
    }
    at_once.push(FirmAction::PublishPlan(plan(8_900, None)));
    later.push((after(70), FirmAction::PublishPlan(plan(7_900, Some(5)))));
    // Told late, and of before the version that is known.
    later.push((after(90), FirmAction::PublishPlan(plan(8_400, Some(10)))));
    let (standing, later_standing) = standings(first_day);
    at_once.extend(standing);
    later.extend(later_standing);
    later.sort_by_key(|(on, _)| *on);
    Plans { at_once, later }
}

/// A pack, read in every dimension unless it says otherwise itself: counsel of this firm has read the examples
/// to their end.
fn read(json: &str) -> RulePack {
    let mut pack = RulePack::from_json(json).expect("a pack of ours");
    if pack.state.is_some() && !pack.adds_nothing() && pack.code.as_str() != "us-nv" {
        pack.read = Some(Dimension::ALL.iter().copied().collect());
    }
    pack
}

/// Counsel stands for most packs, the firm itself for one, and nobody for Iowa's.
fn backed(pack: &RulePack) -> Option<FirmAction> {
    let (code, version) = (pack.code.clone(), pack.version);
    match code.as_str() {
        "us-federal" | "us-ia" => None,
        "us-tx" => {
            let reason = text("counsel reads it next month");
            Some(FirmAction::UsePackAtOwnRisk(PackUsedAtOwnRisk { code, reason, version }))
        }
        _ => Some(FirmAction::ConfirmPack(PackConfirmed {
            code,
            counsel: text("Robin Ashdown, counsel"),
            document: None,
            hash: pack.hash(),
            version,
        })),
    }
}

fn plan(monthly: i64, grace_days: Option<u16>) -> Plan {
    Plan {
        grace_days,
        code: plan_code(),
        couple: Some(Prices { first_fee: usd(24_999), monthly_fee: usd(14_999) }),
        first_work: vec![Work::ReportImport, Work::DisputeRound, Work::ProgressReport],
        individual: Prices { first_fee: usd(14_900), monthly_fee: usd(monthly) },
        monthly_work: vec![Work::DisputeRound, Work::ProgressReport],
        name: text("Standard"),
        periods: 6,
        version: 0,
    }
}

/// California's bond is cancelled by its surety and comes back after some days; the registration runs out and is
/// renewed, which the firm tells late; that of Texas is filed late. What ended is told on some later day.
fn standings(first_day: CivilDate) -> (Vec<FirmAction>, Vec<(CivilDate, FirmAction)>) {
    let after = |days: u64| first_day + chrono::Days::new(days);
    let filed = |state: &str, amount: Option<Money>, valid_from, valid_through| {
        let kind = if amount.is_some() { StandingKind::Bond } else { StandingKind::Registration };
        FirmAction::RecordStanding(StandingRecorded {
            amount,
            document: None,
            kind,
            state: StateCode::parse(state).expect("a state"),
            valid_from,
            valid_through,
        })
    };
    let bond = usd(10_000_000);
    let at_once = vec![
        filed("CA", None, first_day, after(180)),
        filed("CA", Some(bond), first_day, after(360)),
        filed("TX", Some(usd(1_000_000)), first_day, after(150)),
        FirmAction::EndStanding(StandingEnded {
            document: None,
            kind: StandingKind::Bond,
            last_day: after(340),
            reason: StandingEndReason::SuretyCancelled,
            state: StateCode::parse("CA").expect("a state"),
            valid_from: first_day,
        }),
    ];
    let cancelled = FirmAction::EndStanding(StandingEnded {
        document: None,
        kind: StandingKind::Bond,
        last_day: after(120),
        reason: StandingEndReason::SuretyCancelled,
        state: StateCode::parse("CA").expect("a state"),
        valid_from: first_day,
    });
    let later = vec![
        (after(20), filed("TX", None, after(20), after(360))),
        (after(139), cancelled),
        (after(140), filed("CA", Some(bond), after(128), after(400))),
        (after(200), filed("CA", None, after(181), after(400))),
    ];
    (at_once, later)
}
