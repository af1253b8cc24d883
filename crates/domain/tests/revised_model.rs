//! Random histories, judged here and by a model in Python that shares nothing with this code but the text of the
//! trade: `tests/reference/revised_model`. Every period, every gate of every open fee, and what stands behind
//! every claimed one is the same, in whatever order the facts are told.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

mod common;

use std::process::Command as Process;

use calendar::{CivilDate, PeriodRule};
use common::*;
use counterfoil_domain::State;
use counterfoil_domain::event::*;
use counterfoil_domain::gates::Gate;
use counterfoil_domain::ids::*;
use counterfoil_domain::judge::{Judge, Matter};
use counterfoil_domain::money::Money;
use counterfoil_domain::rules::{EXAMPLE_PACKS, RulePack};
use counterfoil_domain::terms::*;
use serde_json::{Value, json};
use uuid::Uuid;

const CLIENT: u128 = 7;
/// Codes of states that stand for the model's invented ones.
const STATES: [(&str, &str); 6] =
    [("ZA", "AK"), ("ZB", "AR"), ("ZC", "DE"), ("ZD", "IA"), ("ZE", "ME"), ("ZF", "MT")];

fn state(of: &Value) -> StateCode {
    let of = of.as_str().unwrap();
    let found = STATES.iter().find(|(theirs, _)| *theirs == of).unwrap();
    StateCode::parse(found.1).unwrap()
}

fn on(value: &Value) -> CivilDate {
    day(value.as_str().unwrap())
}

fn after(value: &Value) -> CivilDate {
    on(value).succ_opt().unwrap()
}

struct Log {
    position: u64,
    states: [(StreamId, State); 3],
    packs: Vec<RulePack>,
}

const CASE: usize = 0;
const ACCOUNT: usize = 1;
const FIRM: usize = 2;

impl Log {
    fn begin() -> Self {
        let streams =
            [StreamId::Case(case(CLIENT)), StreamId::Account(account(CLIENT)), StreamId::Firm];
        let states = streams.map(|stream| (stream, State::empty(stream)));
        let mut log = Self { position: 0, states, packs: Vec::new() };
        let register = FirmRegistered {
            currency: counterfoil_domain::money::Currency::USD,
            invoice_due_days: 0,
            name: text("Lantern Lane Credit Services"),
            transit_days: 4,
            zone: zone(),
        };
        log.add(FIRM, day("2020-01-01"), 0, register);
        log.adopt(EXAMPLE_PACKS[0]);
        log
    }

    /// One event, told by a request of the number given.
    fn add(&mut self, at: usize, occurred_on: CivilDate, request: u128, event: impl Into<Event>) {
        self.position += 1;
        let (stream, state) = &mut self.states[at];
        let recorded = Recorded {
            access: None,
            actor: text("test"),
            causation: None,
            event: event.into(),
            event_id: EventId(Uuid::from_u128(u128::from(self.position))),
            firm: FirmId(Uuid::from_u128(1)),
            late_days: None,
            occurred_at: None,
            occurred_on,
            position: self.position,
            recorded_at: UtcMicros(0),
            request_id: RequestId(Uuid::from_u128(request)),
            stream: *stream,
            stream_version: state.version() + 1,
        };
        state.fold(&recorded).unwrap();
    }

    fn adopt(&mut self, json: &str) {
        let pack = RulePack::from_json(json).unwrap();
        self.packs.push(pack.clone());
        self.add(FIRM, day("2020-01-01"), 0, PackAdopted { pack });
    }

    fn firm(&mut self, firm: &Value) {
        for pack in firm["packs"].as_array().unwrap() {
            self.adopt(&pack_json(pack).to_string());
        }
        for fact in firm["told"].as_array().unwrap() {
            let happened = on(&fact["day"]);
            let named = |packs: &[RulePack]| -> RulePack {
                let code = fact["pack"].as_str().unwrap();
                packs.iter().find(|pack| pack.code.as_str() == code).unwrap().clone()
            };
            match fact["kind"].as_str().unwrap() {
                "confirmed" => {
                    let pack = named(&self.packs);
                    let (hash, version) = (pack.hash(), pack.version);
                    let counsel = text("Counsel");
                    let confirmed =
                        PackConfirmed { code: pack.code, counsel, document: None, hash, version };
                    self.add(FIRM, happened, 0, confirmed);
                }
                "own_risk" => {
                    let pack = named(&self.packs);
                    let reason = text("a risk");
                    let (code, version) = (pack.code, pack.version);
                    self.add(FIRM, happened, 0, PackUsedAtOwnRisk { code, reason, version });
                }
                "standing" => {
                    let through = &fact["through"];
                    let recorded = StandingRecorded {
                        amount: Some(usd(fact["amount"].as_i64().unwrap())),
                        document: None,
                        kind: StandingKind::Bond,
                        state: state(&fact["state"]),
                        valid_from: happened,
                        valid_through: if through.is_null() {
                            day("2099-12-31")
                        } else {
                            on(through)
                        },
                    };
                    self.add(FIRM, happened, 0, recorded);
                }
                other => panic!("{other}"),
            }
        }
    }
}

fn pack_json(pack: &Value) -> Value {
    let dimensions = pack["dimensions"].as_object().unwrap();
    let read = [
        "cancellation",
        "monthly_statement",
        "perform_within",
        "performance",
        "prohibited",
        "registration",
        "security",
    ];
    let mut read: Vec<&str> =
        read.into_iter().filter(|name| dimensions.contains_key(*name)).collect();
    read.push("telemarketing");
    // The model's names for what these cases never ask.
    read.extend(["contract_items", "estimate_cap", "fee_cap", "statement"]);
    let mut made = json!({
        "code": pack["id"], "version": pack["version"], "state": state(&pack["state"]).as_str(),
        "in_force_from": pack["in_force_from"], "confirmed_by_counsel": false, "note": "invented",
        "read": read,
    });
    let cites = "no law";
    if let Some(days) = dimensions.get("cancellation").filter(|value| !value.is_null()) {
        made["cancellation"] =
            json!({"days": days["days"], "calendar": days["calendar"], "cites": cites});
    }
    if let Some(security) = dimensions.get("security").filter(|value| !value.is_null()) {
        let amount = json!({"currency": "USD", "minor": security["amount"].to_string()});
        made["bond"] = json!({"amount": amount, "cites": cites, "when": security["when"]});
    }
    if let Some(within) = dimensions.get("perform_within").filter(|value| !value.is_null()) {
        made["perform_within"] = json!({"days": within["days"], "cites": cites});
    }
    made
}

fn work(promised: &Value) -> Vec<Work> {
    let promised = promised.as_object().unwrap().iter();
    let of = |(kind, count): (&String, &Value)| {
        let work = match kind.as_str() {
            "round" => Work::DisputeRound,
            "progress_report" => Work::ProgressReport,
            other => panic!("{other}"),
        };
        vec![work; usize::try_from(count.as_u64().unwrap()).unwrap()]
    };
    promised.flat_map(of).collect()
}

/// The facts of a client, in the order told.
fn tell(log: &mut Log, told: &[Value]) {
    let of = |kind: &str| told.iter().find(|fact| fact["kind"] == kind);
    let enrolled = of("enrolled").unwrap();
    let mut contact = contact();
    contact.address.state = state(&enrolled["state"]);
    let evidence = of("sale_evidence").map(|_| DocumentHash([7; 32]));
    let enrolment = Enrolled {
        billing: PeriodRule::every_days(30).unwrap(),
        birth_date: personal("1980-05-06"),
        contact: contact.clone(),
        plan: PlanCode::parse("standard").unwrap(),
        plan_version: 1,
        sale: Sale { channel: Channel::Online, evidence, promised_days: 180 },
        seat: Seat::Individual,
        ssn_last4: None,
        zone: zone(),
    };
    log.add(CASE, on(&enrolled["day"]), 0, enrolment);
    let report = ReportImported {
        bureau: bureau("B1"),
        card_balance: None,
        card_limit: None,
        completes_before: None,
        document: None,
        free_annual: false,
        inquiries: 0,
        issued_on: on(&enrolled["day"]),
        items: None,
        listings: 2,
        score: None,
    };
    log.add(CASE, on(&enrolled["day"]), 0, report);
    for listing in ["L1", "L2"] {
        let listed = ItemListed {
            balance: None,
            bureau: bureau("B1"),
            delinquent_since: None,
            furnisher: text("Example Collections"),
            item: item(listing),
            kind: ItemKind::Collection,
        };
        log.add(CASE, on(&enrolled["day"]), 0, listed);
    }
    // Facts of one request stand in the order in which it lists them.
    let mut told: Vec<&Value> = told.iter().collect();
    let requests: Vec<Value> = told.iter().map(|fact| fact["request"].clone()).collect();
    for request in requests.iter().filter(|request| !request.is_null()) {
        let places: Vec<usize> =
            (0..told.len()).filter(|at| told[*at]["request"] == *request).collect();
        let mut facts: Vec<&Value> = places.iter().map(|at| told[*at]).collect();
        facts.sort_by_key(|fact| fact["place"].as_i64().unwrap());
        for (at, fact) in places.into_iter().zip(facts) {
            told[at] = fact;
        }
    }
    for (at, fact) in told.iter().enumerate() {
        let first =
            requests.iter().position(|request| !request.is_null() && *request == fact["request"]);
        let request = 1_000 + u128::try_from(first.unwrap_or(at + 500)).unwrap();
        let beside = |kind: &str| {
            told.iter().any(|other| other["kind"] == kind && other["request"] == fact["request"])
                && !fact["request"].is_null()
        };
        // A consent to electronic records serves later agreements too.
        let consented = told
            .iter()
            .any(|other| other["kind"] == "consented" && on(&other["day"]) < on(&fact["day"]));
        let given = (beside("copies"), consented || beside("consented"));
        tell_one(log, fact, request, given, &contact);
    }
}

fn tell_one(
    log: &mut Log,
    fact: &Value,
    request: u128,
    (copies_given, consented): (bool, bool),
    contact: &Contact,
) {
    let happened = on(&fact["day"]);
    let completes_before =
        fact["completes_before"].as_bool().and_then(|before| before.then_some(true));
    let event: CaseEvent = match fact["kind"].as_str().unwrap() {
        "enrolled" | "sale_evidence" | "copies" | "consented" => return,
        "attested" => BasisAttested {
            basis: Basis::NotMine,
            bureau: bureau("B1"),
            item: item(fact["listing"].as_str().unwrap()),
            statement: None,
        }
        .into(),
        "acknowledged" => DisclosureAcknowledged { document: None }.into(),
        "signed" => {
            let terms = &fact["terms"];
            let amount = |name: &str| usd(terms[name].as_i64().unwrap());
            let first = if terms["first_work"].is_null() { "work" } else { "first_work" };
            let firm = log.states[FIRM].1.clone();
            let State::Firm(firm) = firm else { panic!() };
            let lived = contact.address.state;
            let rules = firm.law_of_signing(lived, happened).unwrap().rules;
            let (cancel_through, service_from) = rules.cancellation_window(happened);
            ConsentSigned {
                activity: None,
                cancel_through,
                copies_given,
                document: None,
                e_sign_consent: consented || fact["online"] == false,
                items: None,
                languages: None,
                plan: None,
                promised: None,
                rules,
                service_from,
                state: lived,
                terms: Terms {
                    first_work: work(&terms[first]),
                    grace_days: terms["grace"].as_u64().map(|days| u16::try_from(days).unwrap()),
                    monthly_work: work(&terms["work"]),
                    periods: 12,
                    prices: Prices {
                        first_fee: amount("first_price"),
                        monthly_fee: amount("price"),
                    },
                    seat: Seat::Individual,
                },
                total_of_payments: amount("total"),
            }
            .into()
        }
        "cancelled" => ConsentCancelled { reason: None, sent_on: happened }.into(),
        "ended" => ServiceEnded { by: EndedBy::Client, reason: None }.into(),
        "pause" => ServicePaused { reason: personal("away") }.into(),
        "resume" => ServiceResumed {}.into(),
        "billing_day" => {
            let on = u8::try_from(fact["on"].as_u64().unwrap()).unwrap();
            BillingDayChanged { billing: PeriodRule::monthly_on(on).unwrap() }.into()
        }
        "moved" => {
            let mut contact = contact.clone();
            contact.address.state = state(&fact["state"]);
            ContactChanged { contact }.into()
        }
        "given_up" => PeriodClosedWithoutFee {
            end: happened.succ_opt(),
            period: 999,
            reason: personal("goodwill"),
            start: Some(happened),
        }
        .into(),
        "work" if fact["type"] == "progress_report" => {
            ProgressReportSent { completes_before, document: None }.into()
        }
        "work" => {
            let letters = fact["letters"].as_array().unwrap().iter().map(|letter| Letter {
                bureau: bureau(letter["bureau"].as_str().unwrap()),
                document: None,
                items: letter["listings"]
                    .as_array()
                    .unwrap()
                    .iter()
                    .map(|listing| item(listing.as_str().unwrap()))
                    .collect(),
                mail_class: MailClass::Certified,
                tracking: None,
            });
            let at = EventRef { id: EventId(Uuid::from_u128(1)), position: 1 };
            let letters = letters.collect();
            RoundSent { completes_before, contact: at, letters, round: 1 }.into()
        }
        other => panic!("{other}"),
    };
    log.add(CASE, happened, request, event);
}

/// What was claimed and asked for, in the order recorded.
fn decide(log: &mut Log, decisions: &[Value]) {
    log.add(ACCOUNT, day("2026-01-01"), 0, AccountOpened { owner: case(CLIENT) });
    let claims: Vec<&Value> =
        decisions.iter().filter(|decision| decision["kind"] == "claim").collect();
    for (at, claim) in claims.iter().enumerate() {
        let earned = FeeEarned {
            account: account(CLIENT),
            agreement: Some(EventRef { id: EventId(Uuid::from_u128(1)), position: 1 }),
            amount: usd(claim["amount"].as_i64().unwrap()),
            as_of: on(&claim["day"]),
            earned_on: None,
            end: after(&claim["end"]),
            evidence: Vec::new(),
            period: u32::try_from(at + 1).unwrap(),
            plan: None,
            rules: Vec::new(),
            start: on(&claim["start"]),
        };
        log.add(CASE, on(&claim["day"]), 0, earned);
    }
    let mut invoices: Vec<&Value> = Vec::new();
    for decision in decisions {
        match decision["kind"].as_str().unwrap() {
            "claim" => {}
            "invoice" => {
                invoices.push(decision);
                let claim = claims
                    .iter()
                    .find(|claim| claim["id"] == decision["lines"][0]["claim"])
                    .unwrap();
                let amount = usd(claim["amount"].as_i64().unwrap());
                let line = InvoiceLine {
                    amount,
                    case: case(CLIENT),
                    end: after(&claim["end"]),
                    period: 1,
                    start: on(&claim["start"]),
                };
                let number = u64::try_from(invoices.len()).unwrap();
                let issued = InvoiceIssued {
                    due_on: on(&decision["day"]),
                    lines: vec![line],
                    number,
                    total: amount,
                };
                log.add(ACCOUNT, on(&decision["day"]), 0, issued);
            }
            "charge_request" => {
                let of = |invoice: &&Value| invoice["id"] == decision["invoice"];
                let Some(at) = invoices.iter().position(of) else { panic!("{decision}") };
                let invoice = u64::try_from(at + 1).unwrap();
                let requested = ChargeRequested { amount: usd(1), attempt: 1, invoice };
                log.add(ACCOUNT, on(&decision["day"]), 0, requested);
            }
            other => panic!("{other}"),
        }
    }
}

fn judged(one: &Value) -> Value {
    let document = &one["document"];
    let mut log = Log::begin();
    log.firm(&document["firm"]);
    tell(&mut log, document["clients"][0]["told"].as_array().unwrap());
    let decisions = document["decisions"].as_array().unwrap();
    decide(&mut log, decisions);
    let [(_, State::Case(of_case)), (_, State::Account(of_account)), (_, State::Firm(firm))] =
        &log.states
    else {
        panic!()
    };
    let today = on(&document["today"]);
    let accounts = [(account(CLIENT), of_account.as_ref())];
    let matter = Matter { id: case(CLIENT), case: of_case, accounts: &accounts, firm, today };
    let judge = Judge::of(matter);
    let gates = |explained: &counterfoil_domain::gates::Explanation| -> Value {
        let findings = explained.findings.iter();
        findings.map(|f| (f.gate.code().to_owned(), json!(f.answer.code()))).collect()
    };
    let taken: Vec<u32> = judge
        .periods()
        .map(|period| period.number)
        .filter(|number| judge.explain(*number, today).unwrap().earned.is_some())
        .collect();
    let periods: Vec<Value> = judge.periods().map(|p| json!(p.start.to_string())).collect();
    let open: Vec<Value> = judge
        .periods()
        .filter(|period| !taken.contains(&period.number))
        .map(|period| {
            let explained = judge.explain(period.number, today).unwrap();
            let amount = explained.amount.map(Money::minor);
            json!({"start": period.start.to_string(), "amount": amount, "gates": gates(&explained)})
        })
        .collect();
    let claims: Vec<&Value> = decisions.iter().filter(|d| d["kind"] == "claim").collect();
    let fees = claims.iter().zip(judge.fees()).map(|(claim, fee)| {
        let closed: Vec<&str> = fee.closed.iter().map(|gate: &Gate| gate.code()).collect();
        json!({"claim": claim["id"], "status": fee.standing.code(), "closed": closed})
    });
    json!({"periods": periods, "open": open, "fees": fees.collect::<Vec<_>>()})
}

fn ungoverned(open: &mut Value) {
    if open["amount"].is_null() {
        open["gates"] = json!({"G2": open["gates"]["G2"]});
    }
}

#[test]
fn random_histories_are_judged_as_the_model_judges_them() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/reference/revised_model");
    let count = std::env::var("COUNTERFOIL_HISTORIES").unwrap_or_else(|_| "300".into());
    let seed = std::env::var("COUNTERFOIL_SEED").unwrap_or_else(|_| "1".into());
    let made = Process::new("python3")
        .args(["service_cases.py", &count, &seed])
        .current_dir(folder)
        .output()
        .unwrap();
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    let cases: Vec<Value> = serde_json::from_slice(&made.stdout).unwrap();
    let mut differing = Vec::new();
    let (mut open_fees, mut claimed) = (0, 0);
    for one in &cases {
        let ours = judged(one);
        let periods: Vec<Value> = one["periods"]
            .as_array()
            .unwrap()
            .iter()
            .map(|period| period["start"].clone())
            .collect();
        let theirs = json!({
            "periods": periods,
            "open": one["open"],
            "fees": one["fees"].as_array().unwrap().iter().map(|fee| {
                json!({"claim": fee["claim"], "status": fee["status"]})
            }).collect::<Vec<_>>(),
        });
        let mut compared = ours.clone();
        let by_claim = |fee: &Value| fee["claim"].as_str().unwrap().to_owned();
        for fee in compared["fees"].as_array_mut().unwrap() {
            fee.as_object_mut().unwrap().remove("closed");
        }
        let mut theirs = theirs;
        // Of a period that no agreement governs the model asks only whether one does.
        for open in compared["open"].as_array_mut().unwrap().iter_mut() {
            ungoverned(open);
        }
        for open in theirs["open"].as_array_mut().unwrap().iter_mut() {
            ungoverned(open);
        }
        compared["fees"].as_array_mut().unwrap().sort_by_key(by_claim);
        theirs["fees"].as_array_mut().unwrap().sort_by_key(by_claim);
        open_fees += theirs["open"].as_array().unwrap().len();
        claimed += theirs["fees"].as_array().unwrap().len();
        if compared != theirs {
            differing.push((one["seed"].clone(), ours, theirs, one["fees"].clone()));
        }
    }
    assert!(open_fees > cases.len() && claimed > cases.len() / 2, "{open_fees} {claimed}");
    for (seed, ours, theirs, fees) in differing.iter().take(5) {
        println!("seed {seed}\n ours   {ours}\n theirs {theirs}\n model's gates {fees}");
    }
    assert!(differing.is_empty(), "{} of {} differ", differing.len(), cases.len());
}
