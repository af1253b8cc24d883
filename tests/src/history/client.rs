//! One random client, as the CRM knows it.

use calendar::{CivilDate, PeriodRule};
use domain::command::{
    Cancel, CaseAction, Command, Dated, Enrol, ImportReport, ItemSeen, NoteExposure,
    NoteReinsertion, SendRound, SignConsent,
};
use domain::event::{
    Address, Ask, Basis, BasisAttested, BillingDayChanged, BureauAnswered, BureauAsked, Card,
    CaseEvent, ClientInformationSent, Contact, ContactChanged, CorrectionNoted, Direction,
    DisclosureAcknowledged, DisclosureDelivered, EndedBy, ExposureKind, IdentityPaperAccepted,
    IdentityPaperReceived, IdentityPaperRejected, ItemKind, ItemOutcome, Letter, LetterDelivered,
    MailClass, MessageLogged, Outcome, PaperKind, PeriodClosedWithoutFee, ProgressReportSent,
    ReportIdentityFailed, ReportSourceConnected, ResponseReceived, Score, ServiceEnded,
    ServicePaused,
};
use domain::ids::{BureauCode, CardToken, CaseId, DocumentHash, ItemCode, PaperCode, StateCode};
use domain::terms::{Channel, Sale, Seat};
use domain::value::Personal;
use rand::RngExt;
use rand::rngs::StdRng;

use super::{BUREAUS, bureau, case_id, personal, plan_code, text, usd};

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

/// A client.
#[derive(Clone, Debug)]
pub struct Client {
    number: u32,
    stage: Stage,
    deleted: Vec<(ItemCode, usize)>,
    listed: Vec<(ItemCode, usize)>,
    attested: Vec<(ItemCode, usize)>,
    waiting: Vec<Waiting>,
    last_round_on: Option<CivilDate>,
    paused: bool,
    periods: u32,
}

/// Steps between enrolment and readiness.
const SET_UP_STEPS: u8 = 10;

fn item(number: u8) -> ItemCode {
    ItemCode::parse(&format!("item-{number}")).expect("a code of ours")
}

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
            last_round_on: None,
            paused: false,
            periods: 0,
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
            Stage::Enrolled(_) | Stage::Ready => 6,
            Stage::Open => 4,
            Stage::Over => 1,
        }
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
        let state = match self.number % 20 {
            0 | 10 => "CA",
            1 => "GA",
            _ => "IL",
        };
        contact(self.number, household, state, rng.random_bool(0.5))
    }

    /// What happens to this client on a day.
    pub(super) fn act(
        &self,
        rng: &mut StdRng,
        today: CivilDate,
        nonsense: bool,
    ) -> Option<Command> {
        let action = if nonsense { self.nonsense(rng, today) } else { self.sense(rng, today)? };
        // Some facts are told late.
        let late = rng.random_ratio(1, 40) && self.stage == Stage::Open;
        let back = if late { rng.random_range(1..30) } else { 0 };
        let actions = vec![Dated { occurred_on: today - chrono::Days::new(back), action }];
        Some(Command::Case { case: self.id(), expected_version: None, actions })
    }

    fn sense(&self, rng: &mut StdRng, today: CivilDate) -> Option<CaseAction> {
        match self.stage {
            Stage::New => Some(self.enrol(rng)),
            Stage::Enrolled(step) => Some(self.set_up(rng, step, today)),
            Stage::Ready => Some(self.before_work(rng, today)),
            Stage::Open => self.work(rng, today),
            Stage::Over => rng.random_ratio(1, 5).then(|| message(rng)),
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
        let channel =
            if rng.random_ratio(1, 8) { Channel::Telephone } else { any(rng, &Channel::ALL[1..]) };
        let evidence = rng.random_ratio(19, 20).then_some(DocumentHash([5; 32]));
        let sale = Sale { channel, evidence, promised_days: 60 };
        CaseAction::Enrol(Box::new(Enrol {
            billing: billing.expect("a rule within bounds"),
            card: rng.random_ratio(9, 10).then(|| card(&token)),
            contact: self.contact(rng),
            ssn_last4: rng
                .random_bool(0.5)
                .then(|| Personal::ssn_last4("1234").expect("four digits")),
            ..plain_enrolment(self.number, sale, self.seat())
        }))
    }

    fn set_up(&self, rng: &mut StdRng, step: u8, today: CivilDate) -> CaseAction {
        // One in thirty signs before the disclosure was signed for: G1 has to find it.
        let step = if step == 1 && rng.random_ratio(1, 30) { 2 } else { step };
        if step > 2 && rng.random_ratio(1, 40) {
            return CaseAction::Cancel(Cancel { reason: None, sent_on: today });
        }
        match step {
            0 => CaseAction::DisclosureDelivered(DisclosureDelivered { document: None }),
            1 => CaseAction::DisclosureAcknowledged(DisclosureAcknowledged { document: None }),
            2 => CaseAction::SignConsent(SignConsent {
                copies_given: true,
                document: None,
                e_sign_consent: true,
                total_of_payments: usd(rng.random_range(30_000..200_000)),
            }),
            3 => paper_received("photo", PaperKind::PhotoId),
            4 => paper_judged(rng, "photo"),
            5 => paper_received("home", PaperKind::Residence),
            6 => paper_judged(rng, "home"),
            7 if rng.random_ratio(1, 8) => {
                CaseAction::ReportIdentityFailed(ReportIdentityFailed { source: text("source") })
            }
            7 => {
                CaseAction::ReportSourceConnected(ReportSourceConnected { source: text("source") })
            }
            _ => self.import(rng, usize::from(step), today),
        }
    }

    fn import(&self, rng: &mut StdRng, at: usize, issued_on: CivilDate) -> CaseAction {
        let count = 3 + u8::try_from(self.number % 3).unwrap_or(0);
        let is_there = |rng: &mut StdRng, item: &ItemCode| {
            let deleted = self.deleted.contains(&(item.clone(), at % BUREAUS.len()));
            if deleted { rng.random_ratio(1, 20) } else { rng.random_ratio(19, 20) }
        };
        let mut report = plain_report(at, issued_on, count);
        report.items.retain(|seen| is_there(rng, &seen.item));
        report.free_annual = rng.random_ratio(1, 10);
        report.score = Some(Score { model: text("Model 8"), value: rng.random_range(480..720) });
        CaseAction::ImportReport(report)
    }

    fn before_work(&self, rng: &mut StdRng, today: CivilDate) -> CaseAction {
        match rng.random_range(0..20) {
            0 => CaseAction::Cancel(Cancel { reason: None, sent_on: today }),
            1 => self.round(rng).map_or(CaseAction::OpenWork, CaseAction::NoteRoundSent),
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
        (!letters.is_empty()).then_some(SendRound { letters })
    }

    fn work(&self, rng: &mut StdRng, today: CivilDate) -> Option<CaseAction> {
        if self.paused {
            return rng.random_ratio(1, 4).then_some(CaseAction::ResumeService);
        }
        let round_due = self.last_round_on.is_none_or(|on| (today - on).num_days() > 25);
        match rng.random_range(0..40) {
            0..=8 if round_due => {
                self.round(rng).map(CaseAction::SendRound).or_else(|| self.attest(rng))
            }
            9..=14 => self.answer(rng, today),
            15..=18 => Some(CaseAction::ProgressReportSent(ProgressReportSent { document: None })),
            19..=22 => {
                let at = rng.random_range(0..BUREAUS.len());
                Some(self.import(rng, at, today))
            }
            23..=25 => self.attest(rng),
            26..=39 if rng.random_ratio(1, 3) => self.seldom(rng, today),
            _ => None,
        }
    }

    fn seldom(&self, rng: &mut StdRng, today: CivilDate) -> Option<CaseAction> {
        let period = self.periods + 1;
        match rng.random_range(0..16) {
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
            3..=5 => Some(message(rng)),
            6 => Some(CaseAction::BureauAsked(BureauAsked {
                ask: any(rng, Ask::ALL),
                bureau: bureau(0),
            })),
            7 => Some(CaseAction::BureauAnswered(BureauAnswered {
                ask: any(rng, Ask::ALL),
                bureau: bureau(0),
            })),
            8 if rng.random_bool(0.5) => Some(CaseAction::EndService(ServiceEnded {
                by: any(rng, EndedBy::ALL),
                reason: None,
            })),
            9 if rng.random_bool(0.3) => {
                Some(CaseAction::Cancel(Cancel { reason: Some(personal("moved")), sent_on: today }))
            }
            10 => Some(CaseAction::ClosePeriod(PeriodClosedWithoutFee {
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
                corrects: 1,
                note: personal("a slip"),
            })),
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
            4 => CaseAction::SendRound(SendRound { letters: Vec::new() }),
            _ => CaseAction::Cancel(Cancel { reason: None, sent_on: today + chrono::Days::new(3) }),
        }
    }

    /// Takes in what was recorded.
    pub(super) fn learn(&mut self, on: CivilDate, event: &CaseEvent) {
        match event {
            CaseEvent::Enrolled(_) => self.stage = Stage::Enrolled(0),
            CaseEvent::DisclosureDelivered(_)
            | CaseEvent::DisclosureAcknowledged(_)
            | CaseEvent::ConsentSigned(_)
            | CaseEvent::IdentityPaperReceived(_)
            | CaseEvent::IdentityPaperAccepted(_)
            | CaseEvent::ReportSourceConnected(_)
            | CaseEvent::ReportImported(_) => self.stepped(1),
            CaseEvent::IdentityPaperRejected(_) => self.stepped(-1),
            CaseEvent::ItemListed(e) => self.listed.push((e.item.clone(), index(&e.bureau))),
            CaseEvent::BasisAttested(e) => self.attested.push((e.item.clone(), index(&e.bureau))),
            CaseEvent::WorkOpened(_) => self.stage = Stage::Open,
            CaseEvent::RoundSent(e) => {
                self.last_round_on = Some(on);
                self.waiting.extend(e.letters.iter().map(|letter| Waiting {
                    round: e.round,
                    bureau: index(&letter.bureau),
                    items: letter.items.clone(),
                    sent_on: on,
                    delivered: false,
                }));
            }
            CaseEvent::LetterDelivered(e) => {
                let of = |w: &&mut Waiting| w.round == e.round && w.bureau == index(&e.bureau);
                if let Some(waiting) = self.waiting.iter_mut().find(of) {
                    waiting.delivered = true;
                }
            }
            CaseEvent::ResponseReceived(e) => {
                self.waiting.retain(|w| w.round != e.round || w.bureau != index(&e.bureau));
            }
            CaseEvent::ItemDeleted(e) => self.deleted.push((e.item.clone(), index(&e.bureau))),
            CaseEvent::ItemReinserted(e) => {
                let key = (e.item.clone(), index(&e.bureau));
                self.deleted.retain(|known| *known != key);
            }
            CaseEvent::ServicePaused(_) => self.paused = true,
            CaseEvent::ServiceResumed(_) => self.paused = false,
            CaseEvent::ServiceEnded(_) | CaseEvent::ConsentCancelled(_) => self.stage = Stage::Over,
            CaseEvent::FeeEarned(e) => self.periods = self.periods.max(e.period),
            CaseEvent::PeriodClosedWithoutFee(e) => self.periods = self.periods.max(e.period),
            _ => {}
        }
    }

    fn stepped(&mut self, by: i8) {
        if let Stage::Enrolled(step) = self.stage {
            let step = step.saturating_add_signed(by);
            self.stage = if step >= SET_UP_STEPS { Stage::Ready } else { Stage::Enrolled(step) };
        }
    }
}

fn card(token: &str) -> Card {
    Card {
        expires: text("2029-08"),
        last4: personal("4242"),
        token: CardToken::parse(token).expect("a code of ours"),
    }
}

fn contact(number: u32, household: u32, state: &str, spelled_out: bool) -> Contact {
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
pub(crate) fn plain_enrolment(number: u32, sale: Sale, seat: Seat) -> Enrol {
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
        card_limit: Some(usd(300_000)),
        document: None,
        free_annual: false,
        inquiries: 2,
        issued_on,
        items: (0..items).map(seen).collect(),
        score: Some(Score { model: text("Model 8"), value: 581 }),
    }
}

fn index(code: &BureauCode) -> usize {
    BUREAUS.iter().position(|bureau| *bureau == code.as_str()).unwrap_or(0)
}

fn message(rng: &mut StdRng) -> CaseAction {
    CaseAction::MessageLogged(MessageLogged {
        complaint: rng.random_ratio(1, 10),
        direction: any(rng, Direction::ALL),
        text: personal("How is it going?"),
    })
}

fn paper_received(code: &str, kind: PaperKind) -> CaseAction {
    let paper = PaperCode::parse(code).expect("a code of ours");
    CaseAction::IdentityPaperReceived(IdentityPaperReceived { document: None, kind, paper })
}

fn paper_judged(rng: &mut StdRng, code: &str) -> CaseAction {
    let paper = PaperCode::parse(code).expect("a code of ours");
    if rng.random_ratio(1, 6) {
        let reason = personal("not readable");
        return CaseAction::IdentityPaperRejected(IdentityPaperRejected { paper, reason });
    }
    CaseAction::IdentityPaperAccepted(IdentityPaperAccepted { paper })
}
