//! Stored events never change, and what they fold to changes only on purpose.
//!
//! `tests/golden/events` keeps one event of every type and version for ever. `tests/golden/folds`
//! keeps, for each version of the folded state, a hash over what a fixed history folds to: a change
//! of `evolve` without a new `STATE_VERSION` would leave wrong snapshots in use, and fails here.
//!
//! `COUNTERFOIL_WRITE_GOLDEN=1` writes files that are missing; it never rewrites one.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use counterfoil_tests::bookkeeper::Bookkeeper;
use counterfoil_tests::history::{Crm, Shape};
use counterfoil_tests::player::Player;
use domain::event::{
    AccessGranted, AccessRevoked, AccessUsed, AccountEvent, CaseEvent, ClientErased,
    ClientLookedAt, CloseAcceptanceWithdrawn, CloseRule, ErasureBasis, Event, FactCorrected,
    FactKind, FeesReviewed, FirmCorrected, FirmEvent, FirmFact, FoundResult, InvoiceRestated,
    Languages, LegalHoldLifted, LegalHoldPlaced, LinePart, LineShare, LinesShared,
    ListingCorrected, ListingDeleted, LookEvent, LookKind, Loss, MoneyCorrected, MoneyFact,
    MoneyRestated, Outcome, PaymentRestated, PlanSigned, PromisedResult, Reading, Recorded,
    ResultsFound, Scope, ScoreRaised, SecurityEventRecorded, Showing, StreamId,
};
use domain::ids::{AccessId, BureauCode, DocumentHash, ItemCode, LanguageCode, PlanCode};
use domain::judge::EDITION;
use domain::money::{Currency, Money};
use domain::value::{Personal, Text};
use domain::{STATE_VERSION, State};
use sha2::{Digest, Sha256};
use uuid::Uuid;

fn folder(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("golden").join(name)
}

fn may_write() -> bool {
    std::env::var_os("COUNTERFOIL_WRITE_GOLDEN").is_some()
}

/// A fixed history that reaches every event type a CRM can cause.
fn history() -> Player {
    let shape = Shape { clients: 60, enrol_days: 60, nonsense_percent: 5 };
    Player::days(&mut Crm::new(7, shape), 400)
}

/// Fixed histories that together reach every event of bank lines, deposits and closed months.
fn with_bookkeeper(seed: u64) -> Player {
    let mut crm = Crm::new(seed, Shape { clients: 20, enrol_days: 30, nonsense_percent: 5 });
    let mut bookkeeper = Bookkeeper::new(seed);
    let mut player = Player::days(&mut crm, 0);
    for _ in 0..250 {
        for step in crm.day() {
            player.play_and_tell(&mut crm, &step);
        }
        for step in bookkeeper.day(&player.world, &player.log, crm.today()) {
            player.play_and_tell(&mut crm, &step);
        }
    }
    player
}

/// An event that a token recorded; the others are of times before tokens were named.
const OF_A_TOKEN: &str = "message_logged.v1.by_token.json";

/// A fact of a history, of another day.
fn corrected(log: &[Recorded]) -> FactCorrected {
    let sent = log.iter().find_map(|recorded| match &recorded.event {
        Event::Case(event @ CaseEvent::MessageLogged(_)) => Some((recorded, event)),
        _ => None,
    });
    let (told, event) = sent.unwrap();
    let occurred_on = told.occurred_on.pred_opt().unwrap();
    FactCorrected {
        about_another: None,
        fact: told.reference(),
        kind: FactKind::MessageLogged,
        order_of: None,
        reading: Some(Box::new(Reading { event: event.clone(), occurred_at: None, occurred_on })),
        reason: Personal::parse("The day was mistyped.").unwrap(),
        replaces: told.reference(),
        said_by: Personal::parse("the front desk").unwrap(),
    }
}

/// A payment for an invoice on which nothing was open; the other is of times before that was kept.
const MEANT: &str = "payment_settled.v1.meant.json";

/// What money comes to by its days, each part on the day of its fact; the other is of times before that was said.
const BY_DAY: &str = "money_restated.v1.of_an_edition.json";

/// A closed month whose late facts count on the first day that is open; the other is of times before that was said.
const FIRST_OPEN: &str = "period_locked.v1.first_open.json";

/// A fact about money of a history, taken back and told anew.
fn money_corrected(log: &[Recorded]) -> Recorded {
    let paid = log.iter().find(|told| told.event.type_name() == "payment_settled").unwrap();
    let StreamId::Account(account) = paid.stream else { unreachable!("it is of an account") };
    let event = MoneyCorrected {
        again: Some(account),
        fact: paid.reference(),
        kind: MoneyFact::PaymentSettled,
        reason: Personal::parse("The amount was mistyped.").unwrap(),
        said_by: Personal::parse("the bookkeeper").unwrap(),
    };
    Recorded { event: event.into(), ..paid.clone() }
}

/// Which lines of an invoice its money is of.
fn lines_shared(log: &[Recorded]) -> Recorded {
    let paid = log.iter().find(|told| told.event.type_name() == "payment_settled").unwrap();
    let usd = |minor| Money::new(minor, Currency::USD).unwrap();
    let line = |paid: i64, written_off: i64| LineShare {
        credited: usd(0),
        exposed: Some(usd(9_900)).filter(|_| written_off > 0),
        kept: None,
        lost: Some(usd(200)).filter(|_| written_off > 0),
        paid: usd(paid),
        unproved: Some(usd(4_900)).filter(|_| written_off == 0),
        written_off: usd(written_off),
    };
    let event = LinesShared { invoice: 3, lines: vec![line(4_900, 0), line(0, 300)] };
    Recorded { event: AccountEvent::from(event).into(), ..paid.clone() }
}

/// What the money of an account comes to by its days.
fn money_restated(log: &[Recorded]) -> Recorded {
    let paid = log.iter().find(|told| told.event.type_name() == "payment_settled").unwrap();
    let usd = |minor| Money::new(minor, Currency::USD).unwrap();
    let line = LineShare {
        credited: usd(500),
        exposed: None,
        kept: None,
        lost: Some(usd(200)),
        paid: usd(4_000),
        unproved: None,
        written_off: usd(400),
    };
    let Event::Account(AccountEvent::PaymentSettled(payment)) = &paid.event else {
        unreachable!("it is of a payment")
    };
    let payment = PaymentRestated { payment: payment.payment.clone(), unearned: usd(100) };
    let invoices = vec![InvoiceRestated { invoice: 3, lines: vec![line] }];
    let (beyond, edition, payments) = (usd(300), None, vec![payment]);
    let event = MoneyRestated { beyond, edition, invoices, payments };
    Recorded { event: AccountEvent::from(event).into(), ..paid.clone() }
}

/// A standing of a history, taken back and told anew.
fn firm_corrected(log: &[Recorded]) -> FirmCorrected {
    let told = log.iter().find(|told| told.event.type_name() == "standing_recorded").unwrap();
    FirmCorrected {
        again: Some(true),
        fact: told.reference(),
        kind: FirmFact::StandingRecorded,
        reason: Text::parse("The last day was mistyped.").unwrap(),
        said_by: Text::parse("the office").unwrap(),
    }
}

/// Events that say of which lines their money is, or what was lost; the others are of times before they did.
const OF_LINES: [&str; 11] = [
    "chargeback_opened.v1.of_lines.json",
    "chargeback_won.v1.of_lines.json",
    "credit_granted.v1.of_lines.json",
    "fee_marked.v1.with_kept.json",
    "fee_marked.v1.with_loss.json",
    "fee_marked.v1.with_returned.json",
    "payment_settled.v1.of_lines.json",
    "refund_issued.v1.of_lines.json",
    "refund_issued.v1.with_owed.json",
    "refund_requested.v1.of_lines.json",
    "written_off.v1.of_lines.json",
];

/// The same event, saying that.
fn of_lines(name: &str, mut recorded: Recorded) -> Recorded {
    let usd = |minor| Money::new(minor, Currency::USD).unwrap();
    let (first, exposed) =
        (LinePart { amount: usd(1_200), exposed: None, invoice: 3, line: 1 }, Some(usd(9_900)));
    let parts = Some(vec![first, LinePart { amount: usd(0), exposed, invoice: 3, line: 2 }]);
    match &mut recorded.event {
        Event::Account(AccountEvent::ChargebackOpened(e)) => e.lines = parts,
        Event::Account(AccountEvent::ChargebackWon(e)) => e.whole = Some(true),
        Event::Account(AccountEvent::CreditGranted(e)) => e.lines = parts,
        Event::Account(AccountEvent::PaymentSettled(e)) => e.lines = parts,
        Event::Account(AccountEvent::RefundIssued(e)) => {
            e.lines = parts;
            let part = |amount| LinePart { amount, exposed, invoice: 3, line: 1 };
            e.owed = name.contains("with_owed").then(|| vec![part(usd(1_200))]);
        }
        Event::Account(AccountEvent::RefundRequested(e)) => e.lines = parts,
        Event::Account(AccountEvent::WrittenOff(e)) => e.lines = parts,
        Event::Case(CaseEvent::FeeMarked(e)) if name.contains("with_kept") => {
            e.kept = Some(usd(4_900));
            e.kept_before = Some(usd(9_900));
        }
        Event::Case(CaseEvent::FeeMarked(e)) if name.contains("with_returned") => {
            e.given_back_before = Some(usd(100));
            (e.returned, e.returned_before) = (Some(usd(1_200)), Some(usd(100)));
        }
        Event::Case(CaseEvent::FeeMarked(e)) => {
            e.lost = Some(Loss { bad_debt: usd(900), charged_back: usd(0) });
            e.lost_before = Some(Loss { bad_debt: usd(0), charged_back: usd(100) });
        }
        other => unreachable!("{} says nothing of lines", other.type_name()),
    }
    recorded
}

/// A fact with its time; the others are of times before any was told.
const WITH_A_TIME: &str = "message_logged.v1.with_a_time.json";

/// An agreement with what it promises; the other is of times before that was kept.
const WITH_PROMISES: &str = "consent_signed.v1.with_promises.json";

/// An agreement of another plan, with its languages; the other is of times before these were kept.
const OF_A_PLAN: &str = "consent_signed.v1.of_a_plan.json";

/// The same agreement, of another plan and in languages.
fn of_a_plan(mut recorded: Recorded) -> Recorded {
    let language = |code| Some(LanguageCode::parse(code).unwrap());
    if let Event::Case(CaseEvent::ConsentSigned(e)) = &mut recorded.event {
        e.plan = Some(PlanSigned { code: PlanCode::parse("light").unwrap(), version: 2 });
        let (agreement, negotiation) = (language("es"), language("es"));
        e.languages = Some(Languages { agreement, negotiation, notice: language("es") });
    }
    recorded
}

/// A finding on a listing of a client's.
fn found(case: &Recorded) -> ResultsFound {
    let (bureau, item) = (BureauCode::parse("north").unwrap(), ItemCode::parse("a").unwrap());
    let report_on = case.occurred_on;
    ResultsFound {
        agreement: case.reference(),
        document: Some(DocumentHash([8; 32])),
        found: vec![FoundResult { bureau, item, promise: Some(2), report_on }],
        found_by: Personal::parse("Counsel").unwrap(),
        reason: Personal::parse("It is what the advertisement promised.").unwrap(),
    }
}

/// The same agreement, promising a result of each kind.
fn promising(mut recorded: Recorded) -> Recorded {
    let (bureau, item) = (BureauCode::parse("north").unwrap(), ItemCode::parse("a").unwrap());
    let balance = Money::new(20_000, Currency::USD).unwrap();
    let deleted = ListingDeleted { bureau: bureau.clone(), item: item.clone() };
    let corrected = ListingCorrected { balance, bureau: bureau.clone(), item };
    let score = ScoreRaised { at_least: 640, bureau, model: Text::parse("Model 8").unwrap() };
    let none = Showing::default;
    let showing = [
        None,
        Some(Showing { deleted: Some(deleted), ..none() }),
        Some(Showing { corrected: Some(corrected), ..none() }),
        Some(Showing { score: Some(score), ..none() }),
        Some(Showing { deletions: Some(3), ..none() }),
    ];
    let words = || Personal::parse("A better file.").unwrap();
    let promised = showing.map(|showing| PromisedResult { showing, words: words() });
    if let Event::Case(CaseEvent::ConsentSigned(e)) = &mut recorded.event {
        e.promised = Some(promised.into());
    }
    recorded
}

/// A report with its list; the other is of times before lists were kept.
const WITH_A_LIST: &str = "report_imported.v1.with_list.json";

/// One event of every type, in its current version, one that names its token, those that name lines, and a report
/// with its list.
fn samples(player: &Player) -> BTreeMap<String, Vec<u8>> {
    let mut samples = BTreeMap::new();
    let mut keep = |recorded: &Recorded| {
        let name =
            format!("{}.v{}.json", recorded.event.type_name(), recorded.event.type_version());
        samples.entry(name).or_insert_with(|| recorded.to_bytes());
    };
    player.log.iter().for_each(&mut keep);
    (7..11).for_each(|seed| with_bookkeeper(seed).log.iter().for_each(&mut keep));
    let access = AccessId(Uuid::from_u128(11));
    let granted = AccessGranted {
        access,
        bounds: None,
        expires_on: None,
        label: Text::parse("front desk").unwrap(),
        scopes: [Scope::Record, Scope::Read].into(),
        token_hash: DocumentHash([3; 32]),
    };
    let reviewed = FeesReviewed { edition: EDITION, marked: 2, through: 1 };
    for event in [
        FirmEvent::FeesReviewed(reviewed),
        FirmEvent::SecurityEventRecorded(SecurityEventRecorded {
            consumers: 700,
            discovered_on: player.log[0].occurred_on,
            document: Some(DocumentHash([9; 32])),
            name: Text::parse("lost laptop").unwrap(),
            notified_on: None,
        }),
        FirmEvent::FirmCorrected(firm_corrected(&player.log)),
        FirmEvent::CloseAcceptanceWithdrawn(CloseAcceptanceWithdrawn {
            acceptance: player.log[0].reference(),
            reason: Text::parse("They were paid out after all.").unwrap(),
            rule: CloseRule::PayoutsLate,
            through: player.log[0].occurred_on,
        }),
        FirmEvent::AccessGranted(granted),
        FirmEvent::AccessRevoked(AccessRevoked { access }),
        FirmEvent::AccessUsed(AccessUsed {
            access: Some(access),
            cases: [].into(),
            kind: LookKind::Read,
            what: Text::parse("GetCase").unwrap(),
        }),
    ] {
        keep(&Recorded { event: event.into(), stream: StreamId::Firm, ..player.log[0].clone() });
    }
    let of_case = |recorded: &&Recorded| matches!(recorded.stream, StreamId::Case(_));
    let case = player.log.iter().find(of_case).unwrap();
    let matter = Text::parse("Docket 26-114").unwrap();
    for event in [
        CaseEvent::FactCorrected(corrected(&player.log)),
        CaseEvent::ResultsFound(found(case)),
        CaseEvent::LegalHoldPlaced(LegalHoldPlaced { matter: matter.clone() }),
        CaseEvent::LegalHoldLifted(LegalHoldLifted { matter }),
        CaseEvent::ClientErased(ClientErased { basis: ErasureBasis::RetentionOver }),
    ] {
        keep(&Recorded { event: event.into(), ..case.clone() });
    }
    keep(&money_corrected(&player.log));
    keep(&lines_shared(&player.log));
    keep(&money_restated(&player.log));
    let StreamId::Case(client) = case.stream else { unreachable!("it is of a case") };
    let looked = LookEvent::ClientLookedAt(ClientLookedAt {
        access: Some(access),
        kind: LookKind::Open,
        what: Text::parse("GetCase").unwrap(),
    });
    keep(&Recorded {
        event: looked.into(),
        stream: StreamId::Looks(client),
        stream_version: 1,
        ..case.clone()
    });
    let logged = Recorded::from_bytes(&samples["message_logged.v1.json"]).unwrap();
    let of_a_token = Recorded { access: Some(access), ..logged };
    samples.insert(OF_A_TOKEN.into(), of_a_token.to_bytes());
    for name in OF_LINES {
        let type_name = name.split_once('.').unwrap().0;
        let plain = Recorded::from_bytes(&samples[&format!("{type_name}.v1.json")]).unwrap();
        samples.insert(name.into(), of_lines(name, plain).to_bytes());
    }
    let logged = Recorded::from_bytes(&samples["message_logged.v1.json"]).unwrap();
    let timed = Recorded { occurred_at: Some(logged.recorded_at), ..logged };
    samples.insert(WITH_A_TIME.into(), timed.to_bytes());
    let signed = Recorded::from_bytes(&samples["consent_signed.v1.json"]).unwrap();
    samples.insert(OF_A_PLAN.into(), of_a_plan(signed.clone()).to_bytes());
    samples.insert(WITH_PROMISES.into(), promising(signed).to_bytes());
    let mut meant = Recorded::from_bytes(&samples["payment_settled.v1.json"]).unwrap();
    if let Event::Account(AccountEvent::PaymentSettled(e)) = &mut meant.event {
        (e.applied, e.meant, e.unearned) = (Vec::new(), Some(3), e.amount);
    }
    samples.insert(MEANT.into(), meant.to_bytes());
    let mut restated = Recorded::from_bytes(&samples["money_restated.v1.json"]).unwrap();
    if let Event::Account(AccountEvent::MoneyRestated(e)) = &mut restated.event {
        e.edition = Some(2);
    }
    samples.insert(BY_DAY.into(), restated.to_bytes());
    samples.insert(FIRST_OPEN.into(), samples["period_locked.v1.json"].clone());
    samples.insert(WITH_A_LIST.into(), samples["report_imported.v1.json"].clone());
    samples
}

#[test]
fn every_event_type_has_a_golden_file_that_still_reads() {
    let samples = samples(&history());
    let folder = folder("events");
    let of_types = Event::types().map(|(name, version)| format!("{name}.v{version}.json"));
    let others =
        [OF_A_TOKEN, WITH_A_LIST, WITH_A_TIME, WITH_PROMISES, OF_A_PLAN, MEANT, BY_DAY, FIRST_OPEN]
            .into_iter()
            .chain(OF_LINES);
    for file in of_types.chain(others.map(Into::into)) {
        let path = folder.join(&file);
        if !path.exists() && may_write() {
            std::fs::create_dir_all(&folder).unwrap();
            std::fs::write(&path, &samples[&file]).unwrap();
        }
        assert!(
            path.exists(),
            "{file} is missing: a new event type or version needs its golden file"
        );
    }
    let mut read = 0;
    for entry in std::fs::read_dir(&folder).unwrap() {
        let path = entry.unwrap().path();
        let bytes = std::fs::read(&path).unwrap();
        let recorded =
            Recorded::from_bytes(&bytes).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        let current = format!("{}.v{}.", recorded.event.type_name(), recorded.event.type_version());
        assert_eq!(recorded.access.is_some(), name == OF_A_TOKEN, "{name}");
        if name.starts_with(&current) {
            assert_eq!(
                recorded.to_bytes(),
                bytes,
                "{name}: the stored form of a current version changed"
            );
        } else {
            // An older version: what it is lifted to stands beside it.
            let lifted = std::fs::read(path.with_extension("lifted"))
                .expect("the lifted form of an old version");
            assert_eq!(recorded.to_bytes(), lifted, "{name}: its upcaster changed");
        }
        read += 1;
    }
    assert!(read > Event::types().count());
}

/// The places of all objects of a document, as JSON pointers (RFC 6901).
fn objects(value: &serde_json::Value, at: &str, found: &mut Vec<String>) {
    match value {
        serde_json::Value::Object(members) => {
            found.push(at.to_owned());
            members.iter().for_each(|(key, value)| objects(value, &format!("{at}/{key}"), found));
        }
        serde_json::Value::Array(values) => {
            let values = values.iter().enumerate();
            values.for_each(|(place, value)| objects(value, &format!("{at}/{place}"), found));
        }
        _ => {}
    }
}

/// A document is put wherever a stored event of a case takes one: whoever looks for documents has to see it.
#[test]
fn every_document_that_an_event_names_is_shown() {
    let seen = |recorded: &Recorded| {
        let mut seen = Vec::new();
        if let Event::Case(event) = &recorded.event {
            event.each_document(&mut |hash| seen.push(hash));
        }
        seen
    };
    let document = DocumentHash([0xd0; 32]);
    let mut taken = Vec::new();
    for entry in std::fs::read_dir(folder("events")).unwrap() {
        let path = entry.unwrap().path();
        let bytes = std::fs::read(&path).unwrap();
        let whole: serde_json::Value = serde_json::from_slice(&bytes).unwrap();
        let mut places = Vec::new();
        objects(&whole["payload"], "/payload", &mut places);
        for place in places {
            let mut changed = whole.clone();
            let object = changed.pointer_mut(&place).unwrap().as_object_mut().unwrap();
            object.insert("document".into(), document.to_string().into());
            let changed = serde_json_canonicalizer::to_vec(&changed).unwrap();
            let Ok(recorded) = Recorded::from_bytes(&changed) else { continue };
            if matches!(recorded.stream, StreamId::Case(_)) {
                assert_eq!(seen(&recorded), [document], "{} {place}", path.display());
                taken.push(recorded.event.type_name());
            }
        }
    }
    taken.sort_unstable();
    taken.dedup();
    assert!(taken.len() >= 8, "{taken:?}");
    let enrolled = std::fs::read(folder("events").join("enrolled.v1.json")).unwrap();
    let shown = seen(&Recorded::from_bytes(&enrolled).unwrap());
    assert_eq!(shown, [DocumentHash([5; 32])], "what shows the sale");
}

/// A report from before lists were kept takes its list from the order of the log, so that nothing which such a
/// log announced is another thing today.
#[test]
fn a_log_from_before_lists_were_kept_folds_to_what_it_announced() {
    let stored = std::fs::read_to_string(folder("folds").join("history.jsonl")).unwrap();
    let mut streams: BTreeMap<StreamId, State> = BTreeMap::new();
    let mut announced = BTreeMap::new();
    for line in stored.lines() {
        let recorded = Recorded::from_bytes(line.as_bytes()).unwrap();
        let stream = recorded.stream;
        streams.entry(stream).or_insert_with(|| State::empty(stream)).apply(&recorded);
        let Event::Case(event) = recorded.event else { continue };
        let mut says = |item: &ItemCode, bureau: &BureauCode, word| {
            announced.insert((stream, (item.clone(), bureau.clone())), word);
        };
        match event {
            CaseEvent::ItemListed(e) => says(&e.item, &e.bureau, "listed"),
            CaseEvent::ItemDeleted(e) => says(&e.item, &e.bureau, "deleted"),
            CaseEvent::ItemCorrected(e) => says(&e.item, &e.bureau, "corrected"),
            CaseEvent::ItemVerified(e) => says(&e.item, &e.bureau, "verified"),
            CaseEvent::ItemReinserted(e) => says(&e.item, &e.bureau, "reinserted"),
            CaseEvent::RoundSent(e) => {
                for letter in &e.letters {
                    letter.items.iter().for_each(|item| says(item, &letter.bureau, "in_dispute"));
                }
            }
            CaseEvent::ResponseReceived(e) => {
                for said in &e.outcomes {
                    match said.outcome {
                        Outcome::Frivolous => says(&said.item, &e.bureau, "refused"),
                        Outcome::NoAnswer => says(&said.item, &e.bureau, "unanswered"),
                        Outcome::Deleted | Outcome::Corrected | Outcome::Verified => {}
                    }
                }
            }
            _ => {}
        }
    }
    let mut held = 0;
    for ((stream, key), word) in announced {
        let State::Case(case) = &streams[&stream] else { unreachable!("it is of a case") };
        assert_eq!(case.listings[&key].status.code(), word, "{stream} {key:?}");
        held += 1;
    }
    assert!(held > 50, "{held}");
}

#[test]
fn what_a_history_folds_to_changes_only_with_the_state_version() {
    // Replayed from stored bytes, not from the random generator, so that a change of the generator
    // does not look like a change of the fold.
    let stored = folder("folds").join("history.jsonl");
    if !stored.exists() && may_write() {
        std::fs::create_dir_all(stored.parent().unwrap()).unwrap();
        let shape = Shape { clients: 12, enrol_days: 20, nonsense_percent: 5 };
        let lines = Player::days(&mut Crm::new(3, shape), 200)
            .log
            .iter()
            .map(Recorded::to_bytes)
            .collect::<Vec<_>>();
        std::fs::write(&stored, lines.join(&b'\n')).unwrap();
    }
    let mut streams: BTreeMap<StreamId, State> = BTreeMap::new();
    for line in std::fs::read_to_string(&stored).expect("the stored history").lines() {
        let recorded = Recorded::from_bytes(line.as_bytes()).unwrap();
        streams
            .entry(recorded.stream)
            .or_insert_with(|| State::empty(recorded.stream))
            .apply(&recorded);
    }
    let mut hash = Sha256::new();
    for state in streams.values() {
        hash.update(state.to_snapshot());
    }
    let hash = hex::encode(hash.finalize());
    let path = folder("folds").join(format!("state-{STATE_VERSION}.sha256"));
    if !path.exists() && may_write() {
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(&path, format!("{hash}\n")).unwrap();
    }
    let expected = std::fs::read_to_string(&path)
        .unwrap_or_else(|_| panic!("{} is missing: STATE_VERSION was raised", path.display()));
    assert_eq!(hash, expected.trim(), "evolve changed: raise STATE_VERSION in the same commit");
}
