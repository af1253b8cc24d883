//! Plays the scenario through the service, day by day.

use std::collections::BTreeMap;
use std::sync::Arc;

use anyhow::{Context, anyhow, bail, ensure};
use api::google::r#type::Money;
use api::{json, name, scalar, v1};
use calendar::{CivilDate, Datelike, Zone};
use domain::event::UtcMicros;
use domain::rules::{EXAMPLE_PACKS, RulePack};
use futures::{StreamExt, TryStreamExt, stream};
use log::SteppedClock;
use serde_json::Value;
use v1::record_payment_request::Event;
use v1::record_stream_response::Result as Recorded;

use super::script::{Call, Day, FactAt, Numbered, Refused, Script, request_id};
use crate::connect::Session;
use crate::fault::Fault;
use crate::words;

/// The service is told what happened at noon where the firm is.
const NOON_MICROS: i64 = 12 * 3_600 * 1_000_000;
/// The firm asks for charges on the first days of a month: the day of billing, and long enough for
/// two more tries five days apart.
const CHARGE_DAYS: u32 = 11;
/// Events of a case read at once: more than any has.
const EVENTS_PAGE: i32 = 1_000;
/// Settlements sent at a time.
const SETTLEMENTS_AT_ONCE: usize = 32;

/// Packs that were made for the demo.
const PACKS: &[&str] = &[
    include_str!("../../demo/packs/us-ca-4.json"),
    include_str!("../../demo/packs/us-nd-1.json"),
    include_str!("../../demo/packs/us-tx-4.json"),
    include_str!("../../demo/packs/us-wy-1.json"),
];

/// What was played in a month.
#[derive(Clone, Default)]
pub(super) struct Month {
    /// Requests about cases and money, of the scenario.
    pub(super) requests: u64,
    /// Fees earned by the month's billing runs.
    pub(super) fees_earned: i64,
    /// Periods that its latest run could not bill.
    pub(super) fees_held: i32,
    /// Invoices they issued.
    pub(super) invoices: i64,
    /// Their sum.
    pub(super) invoiced: Vec<Money>,
    /// Charges that the demo answered, all as settled.
    pub(super) settled: u64,
}

/// What was played.
#[derive(Default)]
pub(super) struct Played {
    /// By year and month.
    pub(super) months: BTreeMap<(i32, u32), Month>,
    /// Requests of every kind.
    pub(super) requests: u64,
}

/// The ways to the service, each with a token of its own.
pub(super) struct Desk {
    /// For everything else.
    pub(super) session: Session,
    /// For corrections, which nobody makes who records or bills.
    pub(super) corrector: Session,
}

/// The firm at its desk.
pub(super) struct Player<'a> {
    /// What is played.
    pub(super) script: &'a mut Script,
    /// The service's clock.
    pub(super) clock: Arc<SteppedClock>,
    /// The zone of its days.
    pub(super) zone: Zone,
    /// The day that is played next.
    pub(super) next_day: CivilDate,
    /// What was played.
    pub(super) played: Played,
}

impl<'a> Player<'a> {
    /// Before the first day.
    pub(super) fn new(script: &'a mut Script, clock: Arc<SteppedClock>, zone: Zone) -> Self {
        let next_day = script.first_day;
        Self { script, clock, zone, next_day, played: Played::default() }
    }

    /// Puts the service's clock to noon of a day.
    pub(super) fn step_to(&self, day: CivilDate) {
        self.clock.set(UtcMicros(self.zone.start_of_day(day) + NOON_MICROS));
    }

    /// Plays every day up to one.
    pub(super) async fn play_through(
        &mut self,
        desk: &mut Desk,
        last_day: CivilDate,
    ) -> anyhow::Result<()> {
        while self.next_day <= last_day {
            let day = self.next_day;
            self.step_to(day);
            let today = self.script.days.remove(&day).unwrap_or_default();
            self.day(desk, day, today).await.with_context(|| format!("on {day}"))?;
            self.next_day = day.succ_opt().context("the calendar ends")?;
        }
        Ok(())
    }

    async fn day(&mut self, desk: &mut Desk, day: CivilDate, today: Day) -> anyhow::Result<()> {
        let Day { calls, records, payments } = today;
        let (morning, evening): (Vec<_>, Vec<_>) =
            calls.into_iter().partition(|(_, call)| !is_about_money(call));
        for (at, call) in morning {
            self.call(desk, at, call).await?;
        }
        let session = &mut desk.session;
        let requests = count(records.len() + payments.len());
        self.month(day).requests += requests;
        self.played.requests += requests;
        self.record(session, records).await?;
        if day.day() == 1 || day == self.script.last_day {
            self.bill(session, day).await?;
        }
        if day.day() <= CHARGE_DAYS {
            self.charge(session, day).await?;
        }
        for payment in payments {
            let what = payment.request_id.clone();
            session
                .accounts
                .record_payment(payment)
                .await
                .map_err(|status| refused(&what, &status))?;
        }
        for (at, call) in evening {
            self.call(desk, at, call).await?;
        }
        Ok(())
    }

    fn month(&mut self, day: CivilDate) -> &mut Month {
        self.played.months.entry((day.year(), day.month())).or_default()
    }

    /// Sends a day's requests over one stream and wants every one of them recorded.
    async fn record(
        &self,
        session: &mut Session,
        records: Vec<v1::RecordRequest>,
    ) -> anyhow::Result<()> {
        if records.is_empty() {
            return Ok(());
        }
        let messages =
            records.into_iter().map(|record| v1::RecordStreamRequest { record: Some(record) });
        let mut answers = session.cases.record_stream(stream::iter(messages)).await?.into_inner();
        while let Some(answer) = answers.message().await? {
            match answer.result {
                Some(Recorded::Recorded(_)) => {}
                Some(Recorded::Error(status)) => {
                    let fault = Fault::of_message(&status);
                    bail!("the request {} was refused: {}", answer.request_id, fault.one_line());
                }
                None => bail!("the request {} got an empty answer", answer.request_id),
            }
        }
        Ok(())
    }

    async fn bill(&mut self, session: &mut Session, day: CivilDate) -> anyhow::Result<()> {
        let run = v1::RunBillingRequest {
            parent: name::firm(self.script.firm),
            request_id: request_id(Numbered::Billing, day_number(day)),
            as_of: words::message(day),
        };
        let ran = session.billing.run_billing(run).await?.into_inner();
        self.played.requests += 1;
        let month = self.month(day);
        month.fees_earned += i64::from(ran.fees_earned);
        month.fees_held = ran.fees_held;
        month.invoices += i64::from(ran.invoices_issued);
        month.invoiced.extend(ran.totals);
        Ok(())
    }

    /// Asks for the charges that are due, and plays the processor for those the scenario says
    /// nothing about: they settle the same day.
    async fn charge(&mut self, session: &mut Session, day: CivilDate) -> anyhow::Result<()> {
        let request = v1::RequestChargesRequest {
            parent: name::firm(self.script.firm),
            request_id: request_id(Numbered::Charges, day_number(day)),
            as_of: words::message(day),
            charges_max: 0,
        };
        let asked = session.accounts.request_charges(request).await?.into_inner();
        let answered = |charge: &v1::Charge| {
            self.script.answered_tries.get(&charge.invoice).copied().unwrap_or(0)
        };
        let settling = asked.charges.iter().filter(|charge| charge.attempt > answered(charge));
        let settlements: Vec<_> = settling.map(|charge| settlement(charge, day)).collect();
        let settled = count(settlements.len());
        let accounts = &session.accounts;
        stream::iter(settlements)
            .map(async |payment| accounts.clone().record_payment(payment).await)
            .buffer_unordered(SETTLEMENTS_AT_ONCE)
            .try_for_each(async |_| Ok(()))
            .await?;
        self.played.requests += settled + 1;
        self.month(day).settled += settled;
        Ok(())
    }

    /// Makes one call of the firm's people.
    async fn call(&mut self, desk: &mut Desk, at: u64, call: Call) -> anyhow::Result<()> {
        let Call { rpc, fact, pack, mut request, .. } = call;
        let Desk { session, corrector } = desk;
        if let Some(fact) = fact {
            let position = self.position_of(session, &request, &fact).await?;
            let correction = request.pointer_mut("/corrections/0").and_then(Value::as_object_mut);
            let correction = correction.context("a call corrects nothing")?;
            correction.insert("position".into(), position.into());
        }
        let members = request.as_object_mut().context("a call's request is no JSON object")?;
        members.insert("requestId".into(), Value::String(request_id(Numbered::Call, at)));
        if let Some(pack) = pack {
            let Pack { text, pack } = known_pack(&pack)?;
            if rpc == "AdoptPack" {
                members.insert("packJson".into(), text.into());
            } else {
                members.insert("code".into(), pack.code.as_str().into());
                members.insert("version".into(), pack.version.into());
                members.insert("sha256".into(), pack.hash().to_string().into());
            }
        }
        let text = self.script.named(&request.to_string());
        if rpc == "CorrectFacts" {
            let message: v1::CorrectFactsRequest =
                json::from_json(&text, "counterfoil.v1.CorrectFactsRequest")?;
            self.played.requests += 1;
            let sent = corrector.cases.correct_facts(message).await;
            return sent.map(|_| ()).map_err(|status| refused(&rpc, &status));
        }
        macro_rules! send {
            ($client:ident . $method:ident, $Message:ident) => {{
                let full_name = concat!("counterfoil.v1.", stringify!($Message));
                let message: v1::$Message = json::from_json(&text, full_name)?;
                session.$client.$method(message).await.map(|_| ())
            }};
        }
        let sent = match rpc.as_str() {
            "PublishPlan" => send!(administration.publish_plan, PublishPlanRequest),
            "AdoptPack" => send!(administration.adopt_pack, AdoptPackRequest),
            "ConfirmPack" => send!(administration.confirm_pack, ConfirmPackRequest),
            "EndStanding" => send!(administration.end_standing, EndStandingRequest),
            "RegisterBureau" => send!(administration.register_bureau, RegisterBureauRequest),
            "RecordStanding" => send!(administration.record_standing, RecordStandingRequest),
            "ReviewFees" => send!(billing.review_fees, ReviewFeesRequest),
            "ConfirmLink" => send!(accounts.confirm_link, ConfirmLinkRequest),
            "RefuseLink" => send!(accounts.refuse_link, RefuseLinkRequest),
            "ChangeCard" => send!(accounts.change_card, ChangeCardRequest),
            "WriteOff" => send!(accounts.write_off, WriteOffRequest),
            other => bail!("the demo does not make the call {other}"),
        };
        self.played.requests += 1;
        sent.map_err(|status| refused(&rpc, &status))
    }
}

impl Player<'_> {
    /// Where a fact stands of the case that a request names.
    async fn position_of(
        &self,
        session: &mut Session,
        request: &Value,
        fact: &FactAt,
    ) -> anyhow::Result<i64> {
        let case = request["name"].as_str().context("a call about no case")?;
        let events = v1::ReadEventsRequest {
            parent: name::firm(self.script.firm),
            page_size: EVENTS_PAGE,
            stream: Some(format!("case/{}", words::id(case))),
            ..Default::default()
        };
        let events = session.cases.read_events(events).await?.into_inner().events;
        let is_it = |event: &&v1::Event| {
            event.r#type == fact.kind && event.occurred_on == words::message(fact.on)
        };
        let event = events.iter().find(is_it);
        let event = event.with_context(|| format!("no {} of {} in it", fact.kind, fact.on))?;
        Ok(event.position)
    }
}

impl Refused {
    /// Sends it, and gives what the service says; fails unless it is refused for its reason.
    pub(super) async fn send(&self, session: &mut Session) -> anyhow::Result<Fault> {
        let fault = match session.cases.record(self.request.clone()).await {
            Ok(_) => bail!("the service recorded what it has to refuse: {}", self.why),
            Err(status) => Fault::of_status(&status),
        };
        let (why, wanted, got) = (&self.why, &self.reason, &fault.reason);
        ensure!(got == wanted, "{why}: refused with {got} and not with {wanted}");
        Ok(fault)
    }
}

/// Calls on accounts answer what happened on their day, so they come at its end.
fn is_about_money(call: &Call) -> bool {
    matches!(call.rpc.as_str(), "ConfirmLink" | "RefuseLink" | "ChangeCard" | "WriteOff")
}

fn refused(what: &str, status: &tonic::Status) -> anyhow::Error {
    anyhow!("{what} was refused: {}", Fault::of_status(status).one_line())
}

fn count(number: usize) -> u64 {
    u64::try_from(number).unwrap_or(u64::MAX)
}

/// 20260301 for 1 March 2026.
fn day_number(day: CivilDate) -> u64 {
    let year = u64::try_from(day.year()).unwrap_or(0);
    year * 10_000 + u64::from(day.month()) * 100 + u64::from(day.day())
}

/// The payment of a charge that settled; its name is made of the invoice and the try.
fn settlement(charge: &v1::Charge, day: CivilDate) -> v1::RecordPaymentRequest {
    let invoice = words::id(&charge.invoice);
    let number =
        invoice.parse::<u64>().unwrap_or(0) * 10 + u64::try_from(charge.attempt).unwrap_or(0);
    v1::RecordPaymentRequest {
        name: charge.account.clone(),
        request_id: request_id(Numbered::Settlement, number),
        occurred_on: Some(scalar::date_message(day)),
        event: Some(Event::Settled(v1::PaymentSettled {
            payment: format!("pay-{invoice}-{}", charge.attempt),
            amount: charge.amount.clone(),
            invoice: charge.invoice.clone(),
        })),
    }
}

/// A pack, and the file it is read from.
struct Pack {
    text: &'static str,
    pack: RulePack,
}

/// A pack by code and version, `us-federal-1`: an example, or one that was made for the demo.
fn known_pack(wanted: &str) -> anyhow::Result<Pack> {
    for text in EXAMPLE_PACKS.iter().chain(PACKS) {
        let pack = RulePack::from_json(text).map_err(|error| anyhow!("a pack: {error}"))?;
        if format!("{}-{}", pack.code, pack.version) == wanted {
            return Ok(Pack { text, pack });
        }
    }
    bail!("there is no pack {wanted}")
}
