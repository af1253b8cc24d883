//! One random client, as the CRM knows it.

mod learn;
mod papers;
mod promises;

use calendar::{CivilDate, PeriodRule, Zone};
use domain::command::{
    Cancel, CaseAction, Command, Dated, Enrol, NoteExposure, NoteReinsertion, SendRound,
};
use domain::event::{
    Ask, Basis, BasisAttested, BillingDayChanged, BureauAnswered, BureauAsked, Circumstance,
    CircumstanceChanged, ClientInformationSent, Contact, ContactChanged, CorrectionNoted,
    Direction, EndedBy, ExposureKind, ItemOutcome, Letter, LetterDelivered, MailClass,
    MessageLogged, Outcome, PeriodClosedWithoutFee, ProgressReportSent, ResponseReceived, Score,
    ServiceEnded, ServicePaused, UtcMicros,
};
use domain::ids::{CaseId, DocumentHash, ItemCode};
use domain::terms::{Channel, Sale, Seat};
use domain::value::Personal;
use rand::RngExt;
use rand::rngs::StdRng;

use super::firm::home;
use super::plain::{card, contact, plain_enrolment, plain_report};
use super::{BUREAUS, bureau, case_id, personal, text, usd};

/// How far a client has come.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stage {
    New,
    Enrolled(u8),
    Ready,
    Open,
    Over,
}

/// A letter the CRM waits on.
#[derive(Clone, Debug)]
struct Waiting {
    round: u32,
    bureau: usize,
    items: Vec<ItemCode>,
    sent_on: CivilDate,
    delivered: bool,
}

/// What the client has put a name to.
#[derive(Clone, Copy, Debug, Default)]
struct Signatures {
    disclosure: bool,
    agreement: bool,
}

/// A client.
#[derive(Clone, Debug)]
pub struct Client {
    number: u32,
    stage: Stage,
    deleted: Vec<(ItemCode, usize)>,
    listed: Vec<(ItemCode, usize)>,
    attested: Vec<(ItemCode, usize)>,
    waiting: Vec<Waiting>,
    /// When each kind of work was last done: a round, an import, a progress report.
    last_done_on: [Option<CivilDate>; 3],
    paused: bool,
    periods: u32,
    signed: Signatures,
    /// The day of the newest signing.
    signed_on: Option<CivilDate>,
    /// How far a client had come whose service is over.
    was: Stage,
    /// Deletions and corrections that no later report has shown: at which bureau, since when.
    results: Vec<(usize, CivilDate)>,
    /// Deletions, and the last report that shows each.
    shown: Vec<(ItemCode, usize, CivilDate)>,
    /// A report has shown a result that the client has not been told of.
    to_tell: bool,
}

/// Steps between enrolment and readiness.
const SET_UP_STEPS: u8 = 10;

/// One of a closed set.
fn any<T: Copy>(rng: &mut StdRng, all: &[T]) -> T {
    all[rng.random_range(0..all.len())]
}

impl Client {
    pub(super) fn new(number: u32) -> Self {
        Self {
            number,
            stage: Stage::New,
            deleted: Vec::new(),
            listed: Vec::new(),
            attested: Vec::new(),
            waiting: Vec::new(),
            last_done_on: [None; 3],
            paused: false,
            periods: 0,
            signed: Signatures::default(),
            signed_on: None,
            was: Stage::New,
            results: Vec::new(),
            shown: Vec::new(),
            to_tell: false,
        }
    }

    /// The case.
    pub fn id(&self) -> CaseId {
        case_id(self.number)
    }

    /// Whether this client has enrolled.
    pub fn has_enrolled(&self) -> bool {
        self.stage != Stage::New
    }

    pub(super) fn enrols_on_day(&self, clients: u32, days: i64) -> i64 {
        i64::from(self.number) * days / i64::from(clients.max(1))
    }

    /// How many days of ten something happens.
    pub(super) fn busy(&self) -> u32 {
        match self.stage {
            Stage::New => 9,
            Stage::Enrolled(_) | Stage::Ready | Stage::Open if self.is_prompt() => 9,
            Stage::Enrolled(_) | Stage::Ready => 6,
            Stage::Open => 5,
            Stage::Over => 1,
        }
    }

    /// One in ten was sold by telephone and is served at once, so that results come while there is
    /// time left to show them, and once there are some waits until they can be shown.
    fn sold_by_telephone(&self) -> bool {
        self.number % 10 == 3
    }

    /// Whether everything is done on the day it can be.
    fn is_prompt(&self) -> bool {
        self.sold_by_telephone() && self.results.is_empty()
    }

    /// One in forty enrols and never signs.
    fn never_signs(&self) -> bool {
        self.number % 40 == 17
    }

    /// Every fourth pair of neighbours is a couple.
    fn seat(&self) -> Seat {
        if (self.number / 2).is_multiple_of(4) { Seat::Couple } else { Seat::Individual }
    }

    pub(super) fn may_pair_with(&self, other: &Self) -> bool {
        let couple = |client: &Self| client.seat() == Seat::Couple && client.has_enrolled();
        couple(self) && couple(other)
    }

    fn contact(&self, rng: &mut StdRng) -> Contact {
        let household =
            if self.seat() == Seat::Couple { self.number / 2 } else { 100_000 + self.number };
        // Who moves goes to a state whose law is known, sooner or later.
        let moves = self.signed.agreement && rng.random_ratio(1, 4);
        let state = if moves { any(rng, &["CA", "OH", "IL"]) } else { home(self.number) };
        contact(self.number, household, state, rng.random_bool(0.5))
    }

    /// One in eight lives in another zone than the firm's; of what is told of them most has its time.
    fn zone(&self) -> Option<Zone> {
        let name = match self.number % 16 {
            6 => "America/Denver",
            14 => "America/New_York",
            _ => return None,
        };
        Some(Zone::parse(name).expect("a zone of the database"))
    }

    /// What happens to this client on a day.
    pub(super) fn act(
        &self,
        rng: &mut StdRng,
        today: CivilDate,
        nonsense: bool,
    ) -> Option<Command> {
        let actions =
            if nonsense { vec![self.nonsense(rng, today)] } else { self.sense(rng, today) };
        let occurred_on = self.happened_on(rng, today, actions.first()?);
        let timed = self.zone().filter(|_| rng.random_ratio(2, 3));
        let morning = timed.map(|zone| zone.start_of_day(occurred_on));
        let actions = (1..).zip(actions).map(|(hour, action)| {
            let occurred_at = morning.map(|from| UtcMicros(from + hour * 1_800_000_000));
            Dated { occurred_at, occurred_on, action }
        });
        let actions = actions.collect();
        Some(Command::Case { case: self.id(), expected_version: None, actions })
    }

    /// Some facts are told late, ends more often than others; and what was sent too early is found out late.
    fn happened_on(&self, rng: &mut StdRng, today: CivilDate, action: &CaseAction) -> CivilDate {
        let one_in = match action {
            CaseAction::EndService(_) | CaseAction::ResumeService => 3,
            CaseAction::NoteRoundSent(_) if self.stage == Stage::Open && rng.random_ratio(1, 8) => {
                let on = self.signed_on.unwrap_or(today) + chrono::Days::new(1);
                return on.min(today);
            }
            _ if self.stage == Stage::Open => 15,
            _ => return today,
        };
        let back = if rng.random_ratio(1, one_in) { rng.random_range(1..30) } else { 0 };
        today - chrono::Days::new(back)
    }

    fn sense(&self, rng: &mut StdRng, today: CivilDate) -> Vec<CaseAction> {
        match self.stage {
            Stage::New => vec![self.enrol(rng)],
            Stage::Enrolled(step) => self.set_up(rng, step, today),
            Stage::Ready => vec![self.before_work(rng, today)],
            Stage::Open => self.work(rng, today),
            // Some come back.
            Stage::Over if rng.random_ratio(1, 8) => self.papers(rng),
            Stage::Over => rng.random_ratio(1, 5).then(|| message(rng)).into_iter().collect(),
        }
    }

    fn enrol(&self, rng: &mut StdRng) -> CaseAction {
        let billing = if rng.random_bool(0.7) {
            PeriodRule::every_days(30)
        } else {
            PeriodRule::monthly_on(rng.random_range(1..=31))
        };
        let household = self.number / 2;
        let shared = self.seat() == Seat::Couple && rng.random_ratio(3, 4);
        let token =
            if shared { format!("tok_h{household}") } else { format!("tok_c{}", self.number) };
        let by_telephone = self.sold_by_telephone() || rng.random_ratio(1, 16);
        let channel = if by_telephone { Channel::Telephone } else { any(rng, &Channel::ALL[1..]) };
        let evidence = rng.random_ratio(19, 20).then_some(DocumentHash([5; 32]));
        let sale = Sale { channel, evidence, promised_days: 60 };
        CaseAction::Enrol(Box::new(Enrol {
            billing: billing.expect("a rule within bounds"),
            card: rng.random_ratio(9, 10).then(|| card(&token)),
            contact: self.contact(rng),
            zone: self.zone(),
            ssn_last4: rng
                .random_bool(0.5)
                .then(|| Personal::ssn_last4("1234").expect("four digits")),
            ..plain_enrolment(self.number, sale, self.seat())
        }))
    }

    fn import(&self, rng: &mut StdRng, at: usize, issued_on: CivilDate) -> CaseAction {
        let is_there = |rng: &mut StdRng, item: &ItemCode| {
            let deleted = self.deleted.contains(&(item.clone(), at % BUREAUS.len()));
            if deleted { rng.random_ratio(1, 20) } else { rng.random_ratio(19, 20) }
        };
        let mut report = plain_report(at, issued_on, self.item_count());
        report.items.retain(|seen| is_there(rng, &seen.item));
        for seen in &mut report.items {
            seen.balance = Some(usd(if rng.random_ratio(1, 20) { 45_000 } else { 50_000 }));
        }
        report.free_annual = rng.random_ratio(1, 10);
        report.score = Some(Score { model: text("Model 8"), value: rng.random_range(480..720) });
        report.completes_before = completes_before(rng);
        CaseAction::ImportReport(report)
    }

    /// How many listings each bureau has.
    fn item_count(&self) -> u8 {
        3 + u8::try_from(self.number % 3).unwrap_or(0)
    }

    fn before_work(&self, rng: &mut StdRng, today: CivilDate) -> CaseAction {
        match rng.random_range(0..20) {
            0 if rng.random_bool(0.5) => {
                CaseAction::Cancel(Cancel { reason: None, sent_on: today })
            }
            1 if rng.random_bool(0.5) => {
                self.round(rng).map_or(CaseAction::OpenWork, CaseAction::NoteRoundSent)
            }
            2..=8 => self.attest(rng).unwrap_or(CaseAction::OpenWork),
            _ => CaseAction::OpenWork,
        }
    }

    fn attest(&self, rng: &mut StdRng) -> Option<CaseAction> {
        let open: Vec<_> = self.listed.iter().filter(|key| !self.attested.contains(key)).collect();
        let (item, at) = open.get(rng.random_range(0..open.len().max(1)))?;
        Some(CaseAction::AttestBasis(BasisAttested {
            basis: any(rng, Basis::ALL),
            bureau: bureau(*at),
            item: item.clone(),
            statement: Some(personal("I do not know this account.")),
        }))
    }

    fn round(&self, rng: &mut StdRng) -> Option<SendRound> {
        let mut letters: Vec<Letter> = Vec::new();
        for at in 0..BUREAUS.len() {
            let here =
                self.attested.iter().filter(|key| key.1 == at && !self.deleted.contains(key));
            let items: Vec<ItemCode> = here.map(|(item, _)| item.clone()).take(2).collect();
            if !items.is_empty() && rng.random_ratio(3, 4) {
                let mail_class = any(rng, MailClass::ALL);
                letters.push(Letter {
                    bureau: bureau(at),
                    document: None,
                    items,
                    mail_class,
                    tracking: None,
                });
            }
        }
        let completes_before = completes_before(rng);
        (!letters.is_empty()).then_some(SendRound { completes_before, letters })
    }

    /// A round that went out with a listing that nobody said was wrong.
    fn round_without_basis(&self) -> Option<SendRound> {
        let known = |key: &&(ItemCode, usize)| {
            !self.attested.contains(*key) && !self.deleted.contains(*key)
        };
        let (item, at) = self.listed.iter().find(known)?;
        let letter = Letter {
            bureau: bureau(*at),
            document: None,
            items: vec![item.clone()],
            mail_class: MailClass::FirstClass,
            tracking: None,
        };
        Some(SendRound { completes_before: None, letters: vec![letter] })
    }

    fn work(&self, rng: &mut StdRng, today: CivilDate) -> Vec<CaseAction> {
        // Some sign anew while the service runs.
        if rng.random_ratio(1, 200) {
            return self.papers(rng);
        }
        self.piece_of_work(rng, today).into_iter().collect()
    }

    fn piece_of_work(&self, rng: &mut StdRng, today: CivilDate) -> Option<CaseAction> {
        if self.paused {
            return rng.random_ratio(1, 4).then_some(CaseAction::ResumeService);
        }
        if self.sold_by_telephone() && (self.to_tell || !self.results.is_empty()) {
            return self.show_results(rng, today);
        }
        if self.sold_by_telephone() && !self.shown.is_empty() && rng.random_ratio(1, 6) {
            return self.finding(rng);
        }
        // What the month asks for comes first, mostly.
        if rng.random_ratio(2, 3)
            && let Some(due) = self.due_work(rng, today)
        {
            return Some(due);
        }
        match rng.random_range(0..40) {
            0..=13 => self.answer(rng, today),
            14..=15 => {
                let at = rng.random_range(0..BUREAUS.len());
                Some(self.import(rng, at, today))
            }
            26..=28 => self.attest(rng),
            29 => Some(progress_report(rng)),
            30..=39 if rng.random_ratio(1, 4) => self.seldom(rng, today),
            _ => None,
        }
    }

    /// A round, an import or a progress report, if the last one is some weeks old.
    fn due_work(&self, rng: &mut StdRng, today: CivilDate) -> Option<CaseAction> {
        let is_due = |on: &Option<CivilDate>| on.is_none_or(|on| (today - on).num_days() > 23);
        match self.last_done_on.iter().position(is_due)? {
            0 => self.round(rng).map(CaseAction::SendRound).or_else(|| self.attest(rng)),
            1 => {
                let at = rng.random_range(0..BUREAUS.len());
                Some(self.import(rng, at, today))
            }
            _ => Some(progress_report(rng)),
        }
    }

    /// What was sold by telephone is paid for once a report of six months later shows the results
    /// (16 CFR 310.4(a)(2)): that report, then word of it to the client, and nothing new until then.
    fn show_results(&self, rng: &mut StdRng, today: CivilDate) -> Option<CaseAction> {
        let due = |since: CivilDate| calendar::telemarketing_report_from(since) <= today;
        if let Some((at, _)) = self.results.iter().find(|(_, since)| due(*since)) {
            let mut report = plain_report(*at, today, self.item_count());
            report.items.retain(|seen| !self.deleted.contains(&(seen.item.clone(), *at)));
            return Some(CaseAction::ImportReport(report));
        }
        if !self.to_tell && rng.random_ratio(1, 8) {
            return self.finding(rng);
        }
        let told = self.to_tell || rng.random_ratio(1, 20);
        told.then(|| progress_report(rng))
    }

    fn seldom(&self, rng: &mut StdRng, today: CivilDate) -> Option<CaseAction> {
        let period = self.periods + 1;
        match rng.random_range(0..20) {
            0 => Some(CaseAction::PauseService(ServicePaused { reason: personal("away") })),
            1 => {
                let contact = self.contact(rng);
                Some(CaseAction::ContactChanged(Box::new(ContactChanged { contact })))
            }
            2 => {
                let billing =
                    PeriodRule::monthly_on(rng.random_range(1..=31)).expect("a rule within bounds");
                Some(CaseAction::BillingDayChanged(BillingDayChanged { billing }))
            }
            3 | 4 => Some(message(rng)),
            5 => Some(circumstance(rng, today)),
            6 | 19 => Some(asked(rng)),
            7 | 17 | 18 => Some(CaseAction::BureauAnswered(BureauAnswered {
                ask: any(rng, Ask::ALL),
                bureau: bureau(0),
                refused: None,
            })),
            8 if rng.random_bool(0.5) => Some(CaseAction::EndService(ServiceEnded {
                by: any(rng, EndedBy::ALL),
                reason: None,
            })),
            9 if rng.random_bool(0.3) => {
                let sent_on = today - chrono::Days::new(rng.random_range(0..20));
                Some(CaseAction::Cancel(Cancel { reason: Some(personal("moved")), sent_on }))
            }
            10 => Some(CaseAction::ClosePeriod(PeriodClosedWithoutFee {
                end: None,
                start: None,
                period,
                reason: personal("goodwill"),
            })),
            11 | 12 => {
                let (item, at) = self.deleted.last()?.clone();
                Some(CaseAction::NoteReinsertion(NoteReinsertion { bureau: bureau(at), item }))
            }
            13 => Some(CaseAction::NoteExposure(NoteExposure {
                amount: Some(usd(8_900)),
                kind: ExposureKind::FeeAskedUnearned,
                period: Some(period),
            })),
            14 => Some(CaseAction::NoteCorrection(CorrectionNoted {
                moved: None,
                corrects: 1,
                note: personal("a slip"),
            })),
            15 => self.round_without_basis().map(CaseAction::NoteRoundSent),
            16 => self.round(rng).map(CaseAction::NoteRoundSent),
            _ => None,
        }
    }

    fn answer(&self, rng: &mut StdRng, today: CivilDate) -> Option<CaseAction> {
        let waiting = self.waiting.get(rng.random_range(0..self.waiting.len().max(1)))?;
        let (round, bureau) = (waiting.round, bureau(waiting.bureau));
        let days = (today - waiting.sent_on).num_days();
        if !waiting.delivered && days < 10 {
            return Some(CaseAction::LetterDelivered(LetterDelivered { bureau, round }));
        }
        if days < 15 {
            let information = ClientInformationSent { bureau, document: None, round };
            return rng
                .random_ratio(1, 6)
                .then_some(CaseAction::ClientInformationSent(information));
        }
        let choices = if days > 60 { Outcome::ALL } else { &Outcome::ALL[..4] };
        let outcome =
            |item: &ItemCode| ItemOutcome { item: item.clone(), outcome: any(rng, choices) };
        let outcomes = waiting.items.iter().map(outcome).collect();
        Some(CaseAction::ReceiveResponse(ResponseReceived {
            bureau,
            determined_on: None,
            document: None,
            outcomes,
            round,
        }))
    }

    /// Something that a CRM should not send.
    fn nonsense(&self, rng: &mut StdRng, today: CivilDate) -> CaseAction {
        match rng.random_range(0..6) {
            0 => CaseAction::OpenWork,
            1 => CaseAction::ResumeService,
            2 => self.enrol(rng),
            3 => CaseAction::LetterDelivered(LetterDelivered { bureau: bureau(1), round: 99 }),
            4 => CaseAction::SendRound(SendRound { completes_before: None, letters: Vec::new() }),
            _ => CaseAction::Cancel(Cancel { reason: None, sent_on: today + chrono::Days::new(3) }),
        }
    }
}

/// Something of the client begins or ends, mostly what a client may well tell of.
fn circumstance(rng: &mut StdRng, today: CivilDate) -> CaseAction {
    let kind = any(rng, Circumstance::ALL);
    let is_notice = kind == Circumstance::ChargeNotice;
    let holds = is_notice || rng.random_bool(0.5);
    let names_amount = is_notice || holds && kind == Circumstance::ChargeMandate;
    let is_range = names_amount && !is_notice && rng.random_bool(0.5);
    CaseAction::ChangeCircumstance(CircumstanceChanged {
        amount: names_amount.then(|| usd(9_900)),
        charge_on: is_notice.then(|| today + chrono::Days::new(10)),
        document: None,
        holds,
        kind,
        least: is_range.then(|| usd(100)),
        who: (holds && kind == Circumstance::Represented).then(|| personal("a cousin")),
    })
}

fn progress_report(rng: &mut StdRng) -> CaseAction {
    let completes_before = completes_before(rng);
    CaseAction::ProgressReportSent(ProgressReportSent { completes_before, document: None })
}

/// Some work says that it completes the period before its day.
fn completes_before(rng: &mut StdRng) -> Option<bool> {
    rng.random_ratio(1, 12).then_some(true)
}

fn asked(rng: &mut StdRng) -> CaseAction {
    CaseAction::BureauAsked(BureauAsked { ask: any(rng, Ask::ALL), bureau: bureau(0) })
}

fn message(rng: &mut StdRng) -> CaseAction {
    CaseAction::MessageLogged(MessageLogged {
        complaint: rng.random_ratio(1, 10),
        direction: any(rng, Direction::ALL),
        text: personal("How is it going?"),
    })
}
