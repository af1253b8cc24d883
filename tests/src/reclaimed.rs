//! A fee that was claimed, given back because of what was told late, and claimed anew: by the domain alone.

use calendar::CivilDate;
use domain::command::{
    AccountAction, CaseAction, Command, Dated, FirmAction, PaymentReceived, Refund, SendRound,
};
use domain::event::{
    Basis, BasisAttested, Letter, MailClass, PackConfirmed, ProgressReportSent, Recorded,
    ServicePaused, UtcMicros,
};
use domain::ids::{BureauCode, CaseId, ItemCode, ProcessorRef};
use domain::rules::RulePack;

use crate::history::{
    Crm, Move, Shape, bureau, case_id, personal, plain_report, plain_start, text, usd, zone,
};
use crate::player::Player;

/// An invented reading of a state's law: it adds nothing.
const NOTHING_ADDED: &str = r#"{
    "code": "us-il-read", "version": 1, "state": "IL", "in_force_from": "2020-01-01",
    "confirmed_by_counsel": false, "nothing_is_added": true, "note": "Invented for tests."
}"#;

/// The case.
pub fn case() -> CaseId {
    case_id(0)
}

fn day(text: &str) -> CivilDate {
    text.parse().expect("a date of ours")
}

fn noon(on: &str) -> UtcMicros {
    UtcMicros(zone().start_of_day(day(on)) + 12 * 3_600_000_000)
}

/// A firm and its one client, of whom a test tells what it needs.
pub struct Desk(pub Player);

impl Desk {
    /// A registered firm, with counsel's word that the client's state adds nothing.
    pub fn open() -> Self {
        let shape = Shape { clients: 0, enrol_days: 1, nonsense_percent: 0 };
        let mut desk = Self(Player::days(&mut Crm::new(0, shape), 0));
        desk.confirmed("2025-01-06", NOTHING_ADDED);
        desk
    }

    /// Adopts a pack that invented counsel stands for.
    ///
    /// # Panics
    /// If it is none.
    pub fn confirmed(&mut self, told: &str, json: &str) {
        let pack = RulePack::from_json(json).expect("a pack of ours");
        let (code, version, hash) = (pack.code.clone(), pack.version, pack.hash());
        self.firm(told, FirmAction::AdoptPack(Box::new(pack)));
        let counsel = text("Robin Ashdown, counsel");
        let confirmed = PackConfirmed { code, counsel, document: None, hash, version };
        self.firm(told, FirmAction::ConfirmPack(confirmed));
    }

    /// The bureau whose listings are disputed.
    pub fn bureau(&self) -> BureauCode {
        bureau(0)
    }

    /// Records a command on a day.
    ///
    /// # Panics
    /// If it is refused.
    pub fn play(&mut self, told: &str, command: Command) {
        let step = Move { now: noon(told), command };
        self.0.play(&step).unwrap_or_else(|refusal| panic!("{told}: {refusal:?}"));
    }

    /// Tells what happened on a day.
    pub fn tell(&mut self, told: &str, on: &str, actions: impl IntoIterator<Item = CaseAction>) {
        let dated = |action| Dated { occurred_at: None, occurred_on: day(on), action };
        let actions = actions.into_iter().map(dated).collect();
        self.play(told, Command::Case { case: case(), expected_version: None, actions });
    }

    /// Tells what happened to the client's money.
    pub fn account(&mut self, on: &str, action: AccountAction) {
        self.told_late(on, on, action);
    }

    /// The same on a later day.
    pub fn told_late(&mut self, told: &str, on: &str, action: AccountAction) {
        let action = Dated { occurred_at: None, occurred_on: day(on), action };
        self.play(told, Command::Account { account: case().own_account(), action });
    }

    fn firm(&mut self, told: &str, action: FirmAction) {
        let action = Dated { occurred_at: None, occurred_on: day(told), action };
        self.play(told, Command::Firm { action });
    }
}

fn item(number: u8) -> ItemCode {
    ItemCode::parse(&format!("item-{number}")).expect("a code of ours")
}

/// A name of a processor.
///
/// # Panics
/// If it is none.
pub fn reference(name: &str) -> ProcessorRef {
    ProcessorRef::parse(name).expect("a code of ours")
}

fn attested(number: u8) -> CaseAction {
    let (basis, statement) = (Basis::NotMine, Some(personal("I do not know this account.")));
    CaseAction::AttestBasis(BasisAttested {
        basis,
        bureau: bureau(0),
        item: item(number),
        statement,
    })
}

/// What a period promises: a fresh report, a round, and a progress report.
pub fn work(on: &str, of: u8, completes_before: Option<bool>) -> [CaseAction; 3] {
    let letter = Letter {
        bureau: bureau(0),
        document: None,
        items: vec![item(of)],
        mail_class: MailClass::Certified,
        tracking: None,
    };
    let mut import = plain_report(0, day(on), 3);
    import.completes_before = completes_before;
    [
        CaseAction::ImportReport(import),
        CaseAction::SendRound(SendRound { completes_before, letters: vec![letter] }),
        CaseAction::ProgressReportSent(ProgressReportSent { completes_before, document: None }),
    ]
}

/// Everything up to the first reports and the client's word on two items, of one day.
pub fn enrolment() -> Vec<CaseAction> {
    let mut actions = plain_start(0);
    actions
        .extend((0..3).map(|at| CaseAction::ImportReport(plain_report(at, day("2025-03-03"), 3))));
    actions.extend([attested(0), attested(1)]);
    actions
}

/// The log: the first period is claimed and paid, then a pause is told that its work lay in. All is paid back,
/// the work is done in the days of grace, and the fee is claimed again.
pub fn log() -> Vec<Recorded> {
    let mut desk = Desk::open();
    desk.tell("2025-03-03", "2025-03-03", enrolment());
    let opened = [CaseAction::OpenWork].into_iter().chain(work("2025-03-10", 0, None));
    desk.tell("2025-03-10", "2025-03-10", opened);
    let (account, amount) = (case().own_account(), usd(14_900));
    desk.play("2025-04-02", Command::BillAccount { account, as_of: day("2025-04-02") });
    let payment = reference("pay-1");
    let paid = PaymentReceived { amount, invoice: Some(1), payment: payment.clone() };
    desk.account("2025-04-03", AccountAction::PaymentReceived(paid));
    let paused = ServicePaused { reason: personal("away") };
    desk.tell("2025-04-04", "2025-03-09", [CaseAction::PauseService(paused)]);
    desk.tell("2025-04-04", "2025-03-11", [CaseAction::ResumeService]);
    let back = Refund { amount, payment, reason: None, refund: reference("back-1"), request: None };
    desk.account("2025-04-05", AccountAction::Refund(back));
    desk.tell("2025-04-07", "2025-04-07", work("2025-04-07", 1, Some(true)));
    let claim = Command::ClaimFee { case: case(), period: 1, as_of: day("2025-04-08") };
    desk.play("2025-04-08", claim);
    desk.0.log
}
