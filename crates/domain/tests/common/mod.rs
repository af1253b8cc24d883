//! A firm at its desk: given what happened, when an action comes, then these events or this refusal.
//!
//! Invented people and places only; telephone numbers are of the range reserved for fiction.

#![allow(
    dead_code,
    unreachable_pub,
    clippy::unwrap_used,
    clippy::as_conversions,
    clippy::missing_panics_doc,
    reason = "each test file uses its own part of the desk"
)]

pub mod states;

use calendar::{CivilDate, PeriodRule, Zone};
use counterfoil_domain::command::*;
use counterfoil_domain::event::*;
use counterfoil_domain::gates::{Answer, Explanation, Gate};
use counterfoil_domain::ids::*;
use counterfoil_domain::judge::{Judge, Matter, ToldFirst};
use counterfoil_domain::money::{Currency, Money};
use counterfoil_domain::refusal::{Reason, Refusal};
use counterfoil_domain::rules::{Dimension, EXAMPLE_PACKS, RulePack};
use counterfoil_domain::sealing::InTheClear;
use counterfoil_domain::terms::*;
use counterfoil_domain::value::{Personal, Text};
use counterfoil_domain::{Context, Halt, State, World, decide};
use uuid::Uuid;

pub fn day(text: &str) -> CivilDate {
    text.parse().unwrap()
}

pub fn usd(minor: i64) -> Money {
    Money::new(minor, Currency::USD).unwrap()
}

pub fn text(text: &str) -> Text {
    Text::parse(text).unwrap()
}

pub fn personal(text: &str) -> Personal {
    Personal::parse(text).unwrap()
}

pub fn case(n: u128) -> CaseId {
    CaseId(Uuid::from_u128(n))
}

pub fn account(n: u128) -> AccountId {
    case(n).own_account()
}

pub fn bureau(code: &str) -> BureauCode {
    BureauCode::parse(code).unwrap()
}

pub fn item(code: &str) -> ItemCode {
    ItemCode::parse(code).unwrap()
}

pub fn reference(code: &str) -> ProcessorRef {
    ProcessorRef::parse(code).unwrap()
}

pub const NORTH: &str = "north";
pub const SOUTH: &str = "south";

/// An invented reading of a state's law: it adds nothing.
const NOTHING_ADDED: &str = r#"{
    "code": "us-il", "version": 1, "state": "IL", "in_force_from": "2020-01-01",
    "confirmed_by_counsel": false, "nothing_is_added": true, "note": "Invented for tests."
}"#;

/// A firm's log and world in memory.
pub struct Desk {
    /// Who records.
    pub author: Author,
    pub world: World,
    pub log: Vec<Recorded>,
    next_id: u128,
    today: CivilDate,
}

/// The firm's zone in these tests.
pub fn zone() -> Zone {
    Zone::parse("America/Chicago").unwrap()
}

impl Desk {
    /// A registered firm with two bureaus, the example packs and one plan.
    pub fn open() -> Self {
        let mut desk = Self {
            author: Author::without_token(text("test")),
            world: World::new(FirmId(Uuid::from_u128(1)), 0, 0),
            log: Vec::new(),
            next_id: 1,
            today: day("2026-01-02"),
        };
        let register = FirmRegistered {
            currency: Currency::USD,
            invoice_due_days: 0,
            name: text("Lantern Lane Credit Services"),
            transit_days: 3,
            zone: zone(),
        };
        desk.firm(FirmAction::Register(register));
        for code in [NORTH, SOUTH] {
            let name = text(&format!("{code} reporting"));
            let address = text("PO Box 1, Exampleton");
            desk.firm(FirmAction::RegisterBureau(BureauRegistered {
                address,
                bureau: bureau(code),
                name,
            }));
        }
        for pack in EXAMPLE_PACKS.iter().chain([&NOTHING_ADDED]) {
            let mut pack = RulePack::from_json(pack).unwrap();
            if pack.state.is_some() && !pack.adds_nothing() {
                // Counsel of these tests has read all of it.
                pack.read = Some(Dimension::ALL.iter().copied().collect());
            }
            desk.firm(FirmAction::AdoptPack(Box::new(pack.clone())));
            let (hash, version) = (pack.hash(), pack.version);
            if pack.state.is_some() {
                let counsel = text("C. Ounsel");
                let code = pack.code;
                let confirmed = PackConfirmed { code, counsel, document: None, hash, version };
                desk.firm(FirmAction::ConfirmPack(confirmed));
            }
        }
        desk.firm(FirmAction::PublishPlan(plan()));
        desk
    }

    pub fn today(&mut self, today: &str) -> &mut Self {
        self.today = day(today);
        self
    }

    /// Noon in the firm's zone.
    fn now(&self) -> UtcMicros {
        UtcMicros(zone().start_of_day(self.today) + 12 * 3_600_000_000)
    }

    pub fn command_at(
        &mut self,
        now: UtcMicros,
        command: &Command,
    ) -> Result<Vec<Recorded>, Refusal> {
        loop {
            let next_id = &mut self.next_id;
            let mut ids = || {
                *next_id += 1;
                EventId(Uuid::from_u128(*next_id))
            };
            let context = Context {
                author: self.author.clone(),
                request_id: RequestId(Uuid::from_u128(self.log.len() as u128)),
                now,
                recorded_at: now,
                next_id: &mut ids,
                sealer: &mut InTheClear,
                name_found: None,
            };
            match decide(&mut self.world, context, command) {
                Ok(events) => {
                    self.log.extend(events.iter().cloned());
                    return Ok(events);
                }
                Err(Halt::Need(stream)) => self.world.insert(stream, State::empty(stream)),
                Err(Halt::Unnamed) => panic!("a world that began with its log knows every name"),
                Err(Halt::Refused(refusal)) => return Err(*refusal),
            }
        }
    }

    pub fn command(&mut self, command: &Command) -> Result<Vec<Recorded>, Refusal> {
        self.command_at(self.now(), command)
    }

    pub fn firm(&mut self, action: FirmAction) -> Vec<Recorded> {
        let action = Dated { occurred_at: None, occurred_on: self.today, action };
        self.command(&Command::Firm { action }).unwrap()
    }

    /// Tries one action that happened on a day; today becomes that day if it is later.
    pub fn try_act(
        &mut self,
        id: CaseId,
        on: &str,
        action: CaseAction,
    ) -> Result<Vec<Recorded>, Refusal> {
        self.today = self.today.max(day(on));
        self.try_acts(id, on, vec![action])
    }

    /// Tries actions of one day in one request, which states their order.
    pub fn try_acts(
        &mut self,
        id: CaseId,
        on: &str,
        actions: Vec<CaseAction>,
    ) -> Result<Vec<Recorded>, Refusal> {
        self.today = self.today.max(day(on));
        let dated = |action| Dated { occurred_at: None, occurred_on: day(on), action };
        let actions = actions.into_iter().map(dated).collect();
        self.command(&Command::Case { case: id, expected_version: None, actions })
    }

    pub fn act(&mut self, id: CaseId, on: &str, action: CaseAction) -> Vec<Recorded> {
        self.try_act(id, on, action).unwrap()
    }

    pub fn refusal(&mut self, id: CaseId, on: &str, action: CaseAction) -> Refusal {
        self.try_act(id, on, action).expect_err("must be refused")
    }

    pub fn try_account(
        &mut self,
        id: AccountId,
        on: &str,
        action: AccountAction,
    ) -> Result<Vec<Recorded>, Refusal> {
        self.today = self.today.max(day(on));
        let action = Dated { occurred_at: None, occurred_on: day(on), action };
        self.command(&Command::Account { account: id, action })
    }

    pub fn bill(&mut self, id: AccountId, as_of: &str) -> Vec<Recorded> {
        self.today = self.today.max(day(as_of));
        self.command(&Command::BillAccount { account: id, as_of: day(as_of) }).unwrap()
    }

    pub fn claim(
        &mut self,
        id: CaseId,
        period: u32,
        as_of: &str,
    ) -> Result<Vec<Recorded>, Refusal> {
        self.today = self.today.max(day(as_of));
        self.command(&Command::ClaimFee { case: id, period, as_of: day(as_of) })
    }

    pub fn explain(&self, id: CaseId, period: u32, as_of: &str) -> Explanation {
        self.judged(id, |judge| judge.explain(period, day(as_of)).unwrap())
    }

    /// The same with the corrections that changed what its gates answer.
    pub fn explain_with_corrections(&self, id: CaseId, period: u32, as_of: &str) -> Explanation {
        let told_first = self.told_first(id);
        self.judged(id, |judge| {
            let mut explained = judge.explain(period, day(as_of)).unwrap();
            judge.name_corrections(&mut explained, &told_first);
            explained
        })
    }

    /// The case as if facts of it had not been corrected.
    pub fn told_first(&self, id: CaseId) -> Vec<ToldFirst> {
        let told = |at: u64| self.log[usize::try_from(at).unwrap() - 1].clone();
        let state = self.state(id);
        let facts: Vec<Recorded> = state.corrected_facts().into_iter().map(told).collect();
        state.told_first(&facts, self.world.firm().unwrap())
    }

    /// What a judge makes of a case today.
    pub fn judged<T>(&self, id: CaseId, ask: impl FnOnce(&Judge<'_>) -> T) -> T {
        let own = id.own_account();
        let paying = self.world.account(own).unwrap().moved_to.unwrap_or(own);
        let accounts = [paying, own].map(|id| (id, self.world.account(id).unwrap()));
        let (case, firm) = (self.world.case(id).unwrap(), self.world.firm().unwrap());
        ask(&Judge::of(Matter { id, case, accounts: &accounts, firm, today: self.today }))
    }

    /// Whether one gate holds for a period.
    pub fn holds(&self, id: CaseId, period: u32, as_of: &str, gate: Gate) -> bool {
        self.answer(id, period, as_of, gate) == Answer::Holds
    }

    /// What one gate answers for a period.
    pub fn answer(&self, id: CaseId, period: u32, as_of: &str, gate: Gate) -> Answer {
        self.explain(id, period, as_of).findings.iter().find(|f| f.gate == gate).unwrap().answer
    }

    pub fn account(&self, id: AccountId) -> &counterfoil_domain::account::Account {
        self.world.account(id).unwrap()
    }

    pub fn firm_state(&self) -> &counterfoil_domain::firm::Firm {
        self.world.firm().unwrap()
    }

    pub fn state(&self, id: CaseId) -> &counterfoil_domain::case::Case {
        self.world.case(id).unwrap()
    }

    /// Enrolment, disclosure, agreement, identity, source and a first report with two items at both
    /// bureaus: all on the day given, a sale in person, in a state without a pack of its own.
    pub fn signed(&mut self, id: CaseId, on: &str) -> &mut Self {
        self.signed_as(id, on, enrol())
    }

    pub fn signed_as(&mut self, id: CaseId, on: &str, enrol: Enrol) -> &mut Self {
        self.signed_for(id, on, enrol, sign())
    }

    pub fn signed_for(
        &mut self,
        id: CaseId,
        on: &str,
        enrol: Enrol,
        agreement: SignConsent,
    ) -> &mut Self {
        self.act(id, on, CaseAction::Enrol(Box::new(enrol)));
        self.try_acts(
            id,
            on,
            vec![
                CaseAction::DisclosureDelivered(DisclosureDelivered { document: None }),
                CaseAction::DisclosureAcknowledged(DisclosureAcknowledged { document: None }),
                CaseAction::SignConsent(agreement),
            ],
        )
        .unwrap();
        for (code, kind) in [("photo", PaperKind::PhotoId), ("home", PaperKind::Residence)] {
            let paper = PaperCode::parse(code).unwrap();
            let received = IdentityPaperReceived { document: None, kind, paper: paper.clone() };
            self.act(id, on, CaseAction::IdentityPaperReceived(received));
            self.act(id, on, CaseAction::IdentityPaperAccepted(IdentityPaperAccepted { paper }));
        }
        let source = text("report source");
        self.act(id, on, CaseAction::ReportSourceConnected(ReportSourceConnected { source }));
        for code in [NORTH, SOUTH] {
            self.act(id, on, CaseAction::ImportReport(report(code, on, &["a", "b"])));
            for name in ["a", "b"] {
                self.act(id, on, attest(code, name));
            }
        }
        self
    }

    /// As [`Desk::signed`], and work opened on another day.
    pub fn opened(&mut self, id: CaseId, signed_on: &str, opened_on: &str) -> &mut Self {
        self.signed(id, signed_on);
        self.act(id, opened_on, CaseAction::OpenWork);
        self
    }

    /// All work that the test plan promises for a month, on one day.
    pub fn month(&mut self, id: CaseId, on: &str) -> &mut Self {
        self.act(id, on, CaseAction::SendRound(round(NORTH, &["a"])));
        self.act(id, on, CaseAction::ImportReport(report(SOUTH, on, &["a", "b"])));
        self.act(id, on, progress());
        self
    }
}

pub fn plan() -> Plan {
    Plan {
        code: PlanCode::parse("standard").unwrap(),
        couple: Some(Prices { first_fee: usd(29_999), monthly_fee: usd(14_999) }),
        first_work: vec![Work::ReportImport, Work::DisputeRound, Work::ProgressReport],
        grace_days: None,
        individual: Prices { first_fee: usd(19_900), monthly_fee: usd(9_900) },
        monthly_work: vec![Work::DisputeRound, Work::ProgressReport],
        name: text("Standard"),
        periods: 6,
        version: 0,
    }
}

pub fn contact() -> Contact {
    Contact {
        address: Address {
            city: personal("Exampleton"),
            line1: personal("12 North Main Street"),
            line2: Some(personal("Apt 4")),
            state: StateCode::parse("IL").unwrap(),
            zip: personal("60600"),
        },
        email: personal("ada@example.com"),
        name: personal("Ada Lark"),
        phone: Personal::phone("+12025550143").unwrap(),
    }
}

pub fn card(token: &str) -> Card {
    Card {
        expires: text("2028-04"),
        last4: personal("4242"),
        token: Personal::card_token(token).unwrap(),
    }
}

pub fn enrol() -> Enrol {
    Enrol {
        billing: PeriodRule::every_days(30).unwrap(),
        birth_date: personal("1980-05-06"),
        card: Some(card("tok_one")),
        contact: contact(),
        plan: PlanCode::parse("standard").unwrap(),
        sale: Sale {
            channel: Channel::InPerson,
            evidence: Some(DocumentHash([7; 32])),
            promised_days: 180,
        },
        seat: Seat::Individual,
        ssn_last4: None,
        zone: None,
    }
}

pub fn sign() -> SignConsent {
    SignConsent {
        activity: [].into(),
        copies_given: true,
        document: None,
        e_sign_consent: true,
        items: None,
        languages: None,
        plan: None,
        promised: Vec::new(),
        total_of_payments: usd(100_000),
    }
}

/// Everything in one language.
pub fn english() -> Languages {
    let english = || Some(LanguageCode::parse("en").unwrap());
    Languages { agreement: english(), negotiation: english(), notice: english() }
}

/// An agreement that promises results, each shown in a way.
pub fn promising(showing: impl IntoIterator<Item = Showing>) -> SignConsent {
    let promised = |showing| PromisedResult { showing, words: personal("a better file") };
    // What is shown in no way is promised in words alone.
    let showing = showing.into_iter().map(|s| (s != Showing::default()).then_some(s));
    SignConsent { promised: showing.map(promised).collect(), ..sign() }
}

/// A listing that is to be deleted.
pub fn gone(code: &str, name: &str) -> Showing {
    let deleted = ListingDeleted { bureau: bureau(code), item: item(name) };
    Showing { deleted: Some(deleted), ..Showing::default() }
}

/// A listing that is to be corrected to a balance.
pub fn put_right(code: &str, name: &str, balance: i64) -> Showing {
    let balance = usd(balance);
    let corrected = ListingCorrected { balance, bureau: bureau(code), item: item(name) };
    Showing { corrected: Some(corrected), ..Showing::default() }
}

pub fn report(code: &str, issued_on: &str, items: &[&str]) -> ImportReport {
    let seen = |name: &&str| ItemSeen {
        balance: Some(usd(120_000)),
        delinquent_since: Some(day("2023-02-01")),
        furnisher: text("Example Collections"),
        item: item(name),
        kind: ItemKind::Collection,
    };
    ImportReport {
        bureau: bureau(code),
        card_balance: None,
        card_limit: None,
        completes_before: None,
        document: None,
        free_annual: false,
        inquiries: 2,
        issued_on: day(issued_on),
        items: items.iter().map(seen).collect(),
        score: Some(Score { model: text("Model 8"), value: 581 }),
    }
}

/// The report with another balance of an item.
pub fn corrected(name: &str, mut report: ImportReport) -> ImportReport {
    let of_item = report.items.iter_mut().filter(|seen| seen.item == item(name));
    of_item.for_each(|seen| seen.balance = Some(usd(20_000)));
    report
}

pub fn progress() -> CaseAction {
    CaseAction::ProgressReportSent(ProgressReportSent { completes_before: None, document: None })
}

pub fn attest(code: &str, name: &str) -> CaseAction {
    CaseAction::AttestBasis(BasisAttested {
        basis: Basis::NotMine,
        bureau: bureau(code),
        item: item(name),
        statement: Some(personal("I never had an account there.")),
    })
}

pub fn round(code: &str, items: &[&str]) -> SendRound {
    SendRound {
        completes_before: None,
        letters: vec![Letter {
            bureau: bureau(code),
            document: None,
            items: items.iter().map(|name| item(name)).collect(),
            mail_class: MailClass::Certified,
            tracking: None,
        }],
    }
}

pub fn response(code: &str, round: u32, outcomes: &[(&str, Outcome)]) -> CaseAction {
    CaseAction::ReceiveResponse(ResponseReceived {
        bureau: bureau(code),
        determined_on: None,
        document: None,
        outcomes: outcomes
            .iter()
            .map(|(name, outcome)| ItemOutcome { item: item(name), outcome: *outcome })
            .collect(),
        round,
    })
}

pub fn names(events: &[Recorded]) -> Vec<&'static str> {
    events.iter().map(|recorded| recorded.event.type_name()).collect()
}

pub fn rules(refusal: &Refusal) -> Vec<&str> {
    refusal.violations.iter().map(|v| v.rule.as_str()).collect()
}

pub fn is(refusal: &Refusal, reason: Reason) {
    assert_eq!(refusal.reason, reason, "{refusal}");
}

impl Desk {
    /// Tries to correct the reading at a position.
    pub fn try_correct(
        &mut self,
        id: CaseId,
        position: u64,
        becomes: Becomes,
    ) -> Result<Vec<Recorded>, Refusal> {
        let correction = self.correction(position, becomes);
        self.command(&Command::Correct {
            by: CorrectedBy::Anyone,
            case: id,
            expected_version: None,
            corrections: vec![correction],
        })
    }

    pub fn correct(&mut self, id: CaseId, position: u64, becomes: Becomes) -> Vec<Recorded> {
        self.try_correct(id, position, becomes).unwrap()
    }

    pub fn correction(&self, position: u64, becomes: Becomes) -> Correction {
        let at = |position: u64| self.log[usize::try_from(position).unwrap() - 1].clone();
        let replaces = at(position);
        let told = match &replaces.event {
            Event::Case(CaseEvent::FactCorrected(corrected)) => at(corrected.fact.position),
            _ => replaces.clone(),
        };
        Correction {
            about_another: false,
            becomes,
            reason: personal("It was typed from another file."),
            replaces: Box::new(replaces),
            said_by: personal("the clerk who typed it"),
            told: Box::new(told),
        }
    }

    /// The position of the last event of a type.
    pub fn last(&self, kind: &str) -> u64 {
        let found = self.log.iter().rev().find(|recorded| recorded.event.type_name() == kind);
        found.unwrap().position
    }

    /// The position of the first event of a type.
    pub fn first(&self, kind: &str) -> u64 {
        let found = self.log.iter().find(|recorded| recorded.event.type_name() == kind);
        found.unwrap().position
    }
}

/// A fact told anew.
pub fn anew(on: &str, action: CaseAction) -> Becomes {
    Becomes::Told(Box::new(Dated { occurred_at: None, occurred_on: day(on), action }))
}
