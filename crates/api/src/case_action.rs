//! Actions on a case, checked.

use std::collections::BTreeSet;

use calendar::{PERIOD_DAYS_MAX, PERIOD_DAYS_MIN, PeriodRule, Zone};
use domain::command::{
    Cancel, CaseAction, Dated, Enrol, ImportReport, NoteExposure, NoteReinsertion, SendRound,
    SignConsent,
};
use domain::event::{
    BasisAttested, BillingDayChanged, BlockRefused, BureauAnswered, BureauAsked,
    CircumstanceChanged, ClientInformationSent, ContactChanged, CorrectionNoted,
    DisclosureAcknowledged, DisclosureDelivered, IdentityPaperAccepted, IdentityPaperReceived,
    IdentityPaperRejected, ItemOutcome, ItemSeen, Languages, Letter, LetterDelivered,
    MessageLogged, PeriodClosedWithoutFee, ProgressReportSent, ReportIdentityFailed,
    ReportSourceConnected, ResponseReceived, Score, ServiceEnded, ServicePaused,
};
use domain::ids::{
    BureauCode, DocumentHash, ItemCode, LanguageCode, PaperCode, PlanCode, StateCode, TrackingCode,
};
use domain::rules::ContractItem;
use domain::terms::Sale;
use domain::value::{Personal, Text, ValueError};

use crate::contact::{card, contact};
use crate::field::Fields;
use crate::limit::{IMPORT_ITEMS_MAX, LETTER_ITEMS_MAX, LETTERS_MAX, OUTCOMES_MAX, PROMISED_MAX};
use crate::promise::promised;
use crate::v1;

/// Days of a period when the caller names no rule (common practice, no source).
const PERIOD_DAYS_DEFAULT: PeriodRule = PeriodRule::EveryDays(30);

pub(crate) fn dated(fields: &mut Fields, message: &v1::Action) -> Option<Dated<CaseAction>> {
    let occurred_on = fields.date("occurred_on", message.occurred_on.as_ref());
    let occurred_at = fields.optional_time("occurred_at", message.occurred_at.as_ref());
    let action = match &message.action {
        Some(action) => convert(fields, action),
        None => {
            fields.refuse("action", "is required: exactly one of the actions this service knows")
        }
    };
    Some(Dated { occurred_at: occurred_at?, occurred_on: occurred_on?, action: action? })
}

fn convert(f: &mut Fields, action: &v1::action::Action) -> Option<CaseAction> {
    use v1::action::Action as A;
    match action {
        A::Enrol(m) => f.within("enrol", |f| enrol(f, m)).map(|e| CaseAction::Enrol(Box::new(e))),
        A::DisclosureDelivered(m) => f
            .within("disclosure_delivered", |f| document(f, &m.document_sha256))
            .map(|document| CaseAction::DisclosureDelivered(DisclosureDelivered { document })),
        A::DisclosureAcknowledged(m) => {
            f.within("disclosure_acknowledged", |f| document(f, &m.document_sha256)).map(
                |document| CaseAction::DisclosureAcknowledged(DisclosureAcknowledged { document }),
            )
        }
        A::SignConsent(m) => {
            f.within("sign_consent", |f| sign_consent(f, m)).map(CaseAction::SignConsent)
        }
        A::Cancel(m) => f.within("cancel", |f| cancel(f, m)).map(CaseAction::Cancel),
        A::IdentityPaperReceived(m) => f
            .within("identity_paper_received", |f| paper_received(f, m))
            .map(CaseAction::IdentityPaperReceived),
        A::IdentityPaperAccepted(m) => f
            .within("identity_paper_accepted", |f| f.parse("paper", &m.paper, PaperCode::parse))
            .map(|paper| CaseAction::IdentityPaperAccepted(IdentityPaperAccepted { paper })),
        A::IdentityPaperRejected(m) => f
            .within("identity_paper_rejected", |f| paper_rejected(f, m))
            .map(CaseAction::IdentityPaperRejected),
        A::ReportSourceConnected(m) => f
            .within("report_source_connected", |f| f.parse("source", &m.source, Text::line))
            .map(|source| CaseAction::ReportSourceConnected(ReportSourceConnected { source })),
        A::ReportIdentityFailed(m) => f
            .within("report_identity_failed", |f| f.parse("source", &m.source, Text::line))
            .map(|source| CaseAction::ReportIdentityFailed(ReportIdentityFailed { source })),
        A::ImportReport(m) => {
            f.within("import_report", |f| import_report(f, m)).map(CaseAction::ImportReport)
        }
        A::AttestBasis(m) => {
            f.within("attest_basis", |f| attest_basis(f, m)).map(CaseAction::AttestBasis)
        }
        A::OpenWork(v1::OpenWork {}) => Some(CaseAction::OpenWork),
        A::SendRound(m) => f.within("send_round", |f| round(f, m)).map(CaseAction::SendRound),
        A::NoteRoundSent(m) => {
            f.within("note_round_sent", |f| round(f, m)).map(CaseAction::NoteRoundSent)
        }
        A::LetterDelivered(m) => f
            .within("letter_delivered", |f| letter_delivered(f, m))
            .map(CaseAction::LetterDelivered),
        A::ClientInformationSent(m) => f
            .within("client_information_sent", |f| client_information(f, m))
            .map(CaseAction::ClientInformationSent),
        A::ReceiveResponse(m) => {
            f.within("receive_response", |f| response(f, m)).map(CaseAction::ReceiveResponse)
        }
        A::NoteReinsertion(m) => {
            f.within("note_reinsertion", |f| reinsertion(f, m)).map(CaseAction::NoteReinsertion)
        }
        A::BureauAsked(m) => {
            f.within("bureau_asked", |f| bureau_asked(f, m)).map(CaseAction::BureauAsked)
        }
        A::BureauAnswered(m) => {
            f.within("bureau_answered", |f| bureau_answered(f, m)).map(CaseAction::BureauAnswered)
        }
        A::ProgressReportSent(m) => {
            f.within("progress_report_sent", |f| document(f, &m.document_sha256)).map(|document| {
                let completes_before = stated(m.completes_before);
                CaseAction::ProgressReportSent(ProgressReportSent { completes_before, document })
            })
        }
        A::ContactChanged(m) => f
            .within("contact_changed", |f| f.message("contact", m.contact.as_ref(), contact))
            .map(|contact| CaseAction::ContactChanged(Box::new(ContactChanged { contact }))),
        A::BillingDayChanged(m) => f
            .within("billing_day_changed", |f| {
                f.message("billing", m.billing.as_ref(), period_rule)
            })
            .map(|billing| CaseAction::BillingDayChanged(BillingDayChanged { billing })),
        A::ChangeCircumstance(m) => f
            .within("change_circumstance", |f| circumstance(f, m))
            .map(CaseAction::ChangeCircumstance),
        A::MessageLogged(m) => {
            f.within("message_logged", |f| message_logged(f, m)).map(CaseAction::MessageLogged)
        }
        A::PauseService(m) => f
            .within("pause_service", |f| f.parse("reason", &m.reason, Personal::parse))
            .map(|reason| CaseAction::PauseService(ServicePaused { reason })),
        A::ResumeService(v1::ResumeService {}) => Some(CaseAction::ResumeService),
        A::EndService(m) => {
            f.within("end_service", |f| end_service(f, m)).map(CaseAction::EndService)
        }
        A::ClosePeriod(m) => {
            f.within("close_period", |f| close_period(f, m)).map(CaseAction::ClosePeriod)
        }
        A::NoteExposure(m) => {
            f.within("note_exposure", |f| exposure(f, m)).map(CaseAction::NoteExposure)
        }
        A::NoteCorrection(m) => {
            f.within("note_correction", |f| correction(f, m)).map(CaseAction::NoteCorrection)
        }
    }
}

pub(crate) fn document(fields: &mut Fields, hash: &str) -> Option<Option<DocumentHash>> {
    fields.parse_optional("document_sha256", hash, DocumentHash::parse)
}

pub(crate) fn bureau(fields: &mut Fields, code: &str) -> Option<BureauCode> {
    fields.parse("bureau", code, BureauCode::parse)
}

pub(crate) fn item(fields: &mut Fields, code: &str) -> Option<ItemCode> {
    fields.parse("item", code, ItemCode::parse)
}

fn round_number(fields: &mut Fields, value: i32) -> Option<u32> {
    fields.number("round", value, 1..=u32::MAX)
}

pub(crate) fn zone(name: &str) -> Result<Zone, ValueError> {
    Zone::parse(name).map_err(|_| ValueError::new("must be a zone of the IANA time zone database"))
}

// By reference, as every converter takes its message.
#[allow(clippy::trivially_copy_pass_by_ref)]
fn period_rule(fields: &mut Fields, message: &v1::PeriodRule) -> Option<PeriodRule> {
    use v1::period_rule::Rule;
    match message.rule {
        Some(Rule::Days(days)) => fields
            .number("days", days, PERIOD_DAYS_MIN..=PERIOD_DAYS_MAX)
            .map(PeriodRule::EveryDays),
        Some(Rule::DayOfMonth(day)) => {
            fields.number("day_of_month", day, 1..=31).map(PeriodRule::MonthlyOn)
        }
        None => fields.refuse("rule", "is required"),
    }
}

fn enrol(f: &mut Fields, m: &v1::Enrol) -> Option<Enrol> {
    let plan = f.parse("plan", &m.plan, PlanCode::parse);
    let seat = f.code::<v1::Seat>("seat", m.seat);
    let contact = f.message("contact", m.contact.as_ref(), contact);
    let birth_date = f.date("birth_date", m.birth_date.as_ref());
    let ssn_last4 = f.parse_optional("ssn_last4", &m.ssn_last4, Personal::ssn_last4);
    let sale = f.message("sale", m.sale.as_ref(), sale);
    let billing = f.optional("billing", m.billing.as_ref(), period_rule);
    let card = f.optional("card", m.card.as_ref(), card);
    let zone = f.parse_optional("time_zone", &m.time_zone, zone);
    let birth_date = f.parse("birth_date", &birth_date?.to_string(), Personal::parse);
    Some(Enrol {
        billing: billing?.unwrap_or(PERIOD_DAYS_DEFAULT),
        birth_date: birth_date?,
        card: card?,
        contact: contact?,
        plan: plan?,
        sale: sale?,
        seat: seat?,
        ssn_last4: ssn_last4?,
        zone: zone?,
    })
}

fn sale(f: &mut Fields, m: &v1::Sale) -> Option<Sale> {
    let channel = f.code::<v1::Channel>("channel", m.channel);
    let evidence = f.parse_optional("evidence_sha256", &m.evidence_sha256, DocumentHash::parse);
    let promised_days = f.number("promised_days", m.promised_days, 1..=u16::MAX);
    Some(Sale { channel: channel?, evidence: evidence?, promised_days: promised_days? })
}

fn sign_consent(f: &mut Fields, m: &v1::SignConsent) -> Option<SignConsent> {
    let total_of_payments = f.money("total_of_payments", m.total_of_payments.as_ref());
    let document = document(f, &m.document_sha256);
    let promised = f.each("promised_results", &m.promised_results, 0..=PROMISED_MAX, promised);
    let items = contract_items(f, &m.contract_items);
    let activity = states(f, "activity_state_codes", &m.activity_state_codes);
    let plan = f.parse_optional("plan", &m.plan, PlanCode::parse);
    let languages = languages(f, m.languages.as_ref());
    Some(SignConsent {
        activity: activity?,
        copies_given: m.copies_given,
        document: document?,
        e_sign_consent: m.e_sign_consent,
        items: items?,
        languages: languages?,
        plan: plan?,
        promised: promised?,
        total_of_payments: total_of_payments?,
    })
}

/// In which languages an agreement is made; nothing if nobody said.
pub(crate) fn languages(
    f: &mut Fields,
    told: Option<&v1::AgreementLanguages>,
) -> Option<Option<Languages>> {
    let Some(m) = told else { return Some(None) };
    f.within("languages", |f| {
        let rule = "must be a language by its code of ISO 639, such as en or es";
        let is_one = |code: &str| {
            (2..=3).contains(&code.len()) && code.bytes().all(|letter| letter.is_ascii_lowercase())
        };
        let mut language = |name: &'static str, code: &str| -> Option<Option<LanguageCode>> {
            if code.is_empty() {
                return Some(None);
            }
            let read = |code: &str| LanguageCode::parse(code).ok().filter(|_| is_one(code));
            f.form(name, code, rule, read).map(Some)
        };
        let agreement = language("agreement", &m.agreement);
        let negotiation = language("negotiation", &m.negotiation);
        let notice = language("notice", &m.notice);
        let said = Languages { agreement: agreement?, negotiation: negotiation?, notice: notice? };
        let is_said = said != Languages { agreement: None, negotiation: None, notice: None };
        Some(Some(said).filter(|_| is_said))
    })
}

/// What papers hold; nothing if nobody said.
pub(crate) fn contract_items(
    f: &mut Fields,
    told: &[String],
) -> Option<Option<BTreeSet<ContractItem>>> {
    let rule = "must be an item as packs name it, such as items_listed or agent";
    let items = f.each("contract_items", told, 0..=ContractItem::ALL.len(), |f, item| {
        f.parse_self(item, |item| {
            ContractItem::from_code(item).ok_or_else(|| ValueError::new(rule))
        })
    })?;
    Some((!items.is_empty()).then(|| items.into_iter().collect()))
}

/// States, none of them twice.
pub(crate) fn states(f: &mut Fields, field: &str, told: &[String]) -> Option<BTreeSet<StateCode>> {
    let states =
        f.each(field, told, 0..=STATES_MAX, |f, code| f.parse_self(code, StateCode::parse));
    Some(states?.into_iter().collect())
}

/// Most states of a list.
const STATES_MAX: usize = 60;

fn cancel(f: &mut Fields, m: &v1::Cancel) -> Option<Cancel> {
    let sent_on = f.date("sent_on", m.sent_on.as_ref());
    let reason = f.parse_optional("reason", &m.reason, Personal::parse);
    Some(Cancel { reason: reason?, sent_on: sent_on? })
}

fn paper_received(f: &mut Fields, m: &v1::IdentityPaperReceived) -> Option<IdentityPaperReceived> {
    let paper = f.parse("paper", &m.paper, PaperCode::parse);
    let kind = f.code::<v1::PaperKind>("kind", m.kind);
    let document = document(f, &m.document_sha256);
    Some(IdentityPaperReceived { document: document?, kind: kind?, paper: paper? })
}

fn paper_rejected(f: &mut Fields, m: &v1::IdentityPaperRejected) -> Option<IdentityPaperRejected> {
    let paper = f.parse("paper", &m.paper, PaperCode::parse);
    let reason = f.parse("reason", &m.reason, Personal::parse);
    Some(IdentityPaperRejected { paper: paper?, reason: reason? })
}

fn score(f: &mut Fields, m: &v1::Score) -> Option<Score> {
    let model = f.parse("model", &m.model, Text::line);
    let value = f.number("value", m.value, 1..=u16::MAX);
    Some(Score { model: model?, value: value? })
}

fn import_report(f: &mut Fields, m: &v1::ImportReport) -> Option<ImportReport> {
    let bureau = bureau(f, &m.bureau);
    let issued_on = f.date("issued_on", m.issued_on.as_ref());
    let score = f.optional("score", m.score.as_ref(), score);
    let inquiries = f.number("inquiries", m.inquiries, 0..=u16::MAX);
    let card_balance = f.optional_money("card_balance", m.card_balance.as_ref());
    let card_limit = f.optional_money("card_limit", m.card_limit.as_ref());
    let items = f.each("items", &m.items, 0..=IMPORT_ITEMS_MAX, item_seen);
    let document = document(f, &m.document_sha256);
    distinct(f, "items", m.items.iter().map(|seen| seen.item.as_str()));
    Some(ImportReport {
        bureau: bureau?,
        card_balance: card_balance?,
        card_limit: card_limit?,
        completes_before: stated(m.completes_before),
        document: document?,
        free_annual: m.free_annual,
        inquiries: inquiries?,
        issued_on: issued_on?,
        items: items?,
        score: score?,
    })
}

fn item_seen(f: &mut Fields, m: &v1::ItemSeen) -> Option<ItemSeen> {
    let item = item(f, &m.item);
    let kind = f.code::<v1::ItemKind>("kind", m.kind);
    let furnisher = f.parse("furnisher", &m.furnisher, Text::line);
    let balance = f.optional_money("balance", m.balance.as_ref());
    let delinquent_since = f.optional_date("delinquent_since", m.delinquent_since.as_ref());
    Some(ItemSeen {
        balance: balance?,
        delinquent_since: delinquent_since?,
        furnisher: furnisher?,
        item: item?,
        kind: kind?,
    })
}

/// One listing has one fate: twice in one list is a mistake of the caller.
fn distinct<'a>(fields: &mut Fields, name: &str, codes: impl Iterator<Item = &'a str>) {
    let mut seen = BTreeSet::new();
    for (at, code) in codes.enumerate() {
        if !code.is_empty() && !seen.insert(code) {
            fields.fail(&format!("{name}[{at}]"), "must not stand in the list twice");
        }
    }
}

fn attest_basis(f: &mut Fields, m: &v1::AttestBasis) -> Option<BasisAttested> {
    let bureau = bureau(f, &m.bureau);
    let item = item(f, &m.item);
    let basis = f.code::<v1::Basis>("basis", m.basis);
    let statement = f.parse_optional("statement", &m.statement, Personal::parse);
    Some(BasisAttested { basis: basis?, bureau: bureau?, item: item?, statement: statement? })
}

fn round(f: &mut Fields, m: &v1::SendRound) -> Option<SendRound> {
    let letters = f.each("letters", &m.letters, 1..=LETTERS_MAX, letter);
    distinct(f, "letters", m.letters.iter().map(|letter| letter.bureau.as_str()));
    Some(SendRound { completes_before: stated(m.completes_before), letters: letters? })
}

/// What is stored of a statement that is not made unless it is true.
const fn stated(value: bool) -> Option<bool> {
    if value { Some(true) } else { None }
}

fn letter(f: &mut Fields, m: &v1::Letter) -> Option<Letter> {
    let bureau = bureau(f, &m.bureau);
    let items = item_codes(f, &m.items);
    let mail_class = f.code::<v1::MailClass>("mail_class", m.mail_class);
    let tracking = f.parse_optional("tracking", &m.tracking, TrackingCode::parse);
    let document = document(f, &m.document_sha256);
    distinct(f, "items", m.items.iter().map(String::as_str));
    Some(Letter {
        bureau: bureau?,
        document: document?,
        items: items?,
        mail_class: mail_class?,
        tracking: tracking?,
    })
}

fn item_codes(f: &mut Fields, items: &[String]) -> Option<Vec<ItemCode>> {
    f.each("items", items, 1..=LETTER_ITEMS_MAX, |f, code| f.parse_self(code, ItemCode::parse))
}

fn letter_delivered(f: &mut Fields, m: &v1::LetterDelivered) -> Option<LetterDelivered> {
    let round = round_number(f, m.round);
    let bureau = bureau(f, &m.bureau);
    Some(LetterDelivered { bureau: bureau?, round: round? })
}

fn client_information(
    f: &mut Fields,
    m: &v1::ClientInformationSent,
) -> Option<ClientInformationSent> {
    let round = round_number(f, m.round);
    let bureau = bureau(f, &m.bureau);
    let document = document(f, &m.document_sha256);
    Some(ClientInformationSent { bureau: bureau?, document: document?, round: round? })
}

fn response(f: &mut Fields, m: &v1::ReceiveResponse) -> Option<ResponseReceived> {
    let round = round_number(f, m.round);
    let bureau = bureau(f, &m.bureau);
    let outcomes = f.each("outcomes", &m.outcomes, 1..=OUTCOMES_MAX, outcome);
    let document = document(f, &m.document_sha256);
    let determined_on = f.optional_date("determined_on", m.determined_on.as_ref());
    distinct(f, "outcomes", m.outcomes.iter().map(|outcome| outcome.item.as_str()));
    Some(ResponseReceived {
        bureau: bureau?,
        determined_on: determined_on?,
        document: document?,
        outcomes: outcomes?,
        round: round?,
    })
}

fn outcome(f: &mut Fields, m: &v1::ItemOutcome) -> Option<ItemOutcome> {
    let item = item(f, &m.item);
    let outcome = f.code::<v1::Outcome>("outcome", m.outcome);
    Some(ItemOutcome { item: item?, outcome: outcome? })
}

fn reinsertion(f: &mut Fields, m: &v1::NoteReinsertion) -> Option<NoteReinsertion> {
    let bureau = bureau(f, &m.bureau);
    let item = item(f, &m.item);
    Some(NoteReinsertion { bureau: bureau?, item: item? })
}

fn bureau_asked(f: &mut Fields, m: &v1::BureauAsked) -> Option<BureauAsked> {
    let bureau = bureau(f, &m.bureau);
    let ask = f.code::<v1::Ask>("ask", m.ask);
    Some(BureauAsked { ask: ask?, bureau: bureau? })
}

fn bureau_answered(f: &mut Fields, m: &v1::BureauAnswered) -> Option<BureauAnswered> {
    let bureau = bureau(f, &m.bureau);
    let ask = f.code::<v1::Ask>("ask", m.ask);
    let refused = f.optional("refused", m.refused.as_ref(), block_refused);
    Some(BureauAnswered { ask: ask?, bureau: bureau?, refused: refused? })
}

fn block_refused(f: &mut Fields, m: &v1::BlockRefused) -> Option<BlockRefused> {
    let how = f.code::<v1::BlockRefusal>("how", m.how);
    let determined_on = f.date("determined_on", m.determined_on.as_ref());
    let reason = f.optional_code::<v1::BlockRefusedFor>("reason", m.reason);
    let (determined_on, how) = (determined_on?, how?);
    Some(BlockRefused { determined_on, how, is_notice: m.notice, reason: reason? })
}

fn circumstance(f: &mut Fields, m: &v1::ChangeCircumstance) -> Option<CircumstanceChanged> {
    let kind = f.code::<v1::Circumstance>("kind", m.kind);
    let document = document(f, &m.document_sha256);
    let amount = f.optional_money("amount", m.amount.as_ref());
    let least = f.optional_money("least", m.least.as_ref());
    let charge_on = f.optional_date("charge_on", m.charge_on.as_ref());
    let who = f.parse_optional("who", &m.who, Personal::parse);
    Some(CircumstanceChanged {
        amount: amount?,
        charge_on: charge_on?,
        document: document?,
        holds: !m.ended,
        kind: kind?,
        least: least?,
        who: who?,
    })
}

fn message_logged(f: &mut Fields, m: &v1::MessageLogged) -> Option<MessageLogged> {
    let direction = f.code::<v1::Direction>("direction", m.direction);
    let text = f.parse("text", &m.text, Personal::parse);
    Some(MessageLogged { complaint: m.complaint, direction: direction?, text: text? })
}

fn end_service(f: &mut Fields, m: &v1::EndService) -> Option<ServiceEnded> {
    let by = f.code::<v1::EndedBy>("ended_by", m.ended_by);
    let reason = f.parse_optional("reason", &m.reason, Personal::parse);
    Some(ServiceEnded { by: by?, reason: reason? })
}

fn close_period(f: &mut Fields, m: &v1::ClosePeriod) -> Option<PeriodClosedWithoutFee> {
    let period = period(f, m.period);
    let reason = f.parse("reason", &m.reason, Personal::parse);
    // The service adds the period's days.
    Some(PeriodClosedWithoutFee { end: None, period: period?, reason: reason?, start: None })
}

/// A period's number, counted from 1.
pub(crate) fn period(fields: &mut Fields, value: i32) -> Option<u32> {
    fields.number("period", value, 1..=calendar::PERIODS_MAX)
}

fn exposure(f: &mut Fields, m: &v1::NoteExposure) -> Option<NoteExposure> {
    let kind = f.code::<v1::ExposureKind>("kind", m.kind);
    let amount = f.optional_money("amount", m.amount.as_ref());
    let period = match m.period {
        Some(number) => period(f, number).map(Some),
        None => Some(None),
    };
    Some(NoteExposure { amount: amount?, kind: kind?, period: period? })
}

fn correction(f: &mut Fields, m: &v1::NoteCorrection) -> Option<CorrectionNoted> {
    let corrects = match f.position("corrects", m.corrects) {
        Some(0) => f.refuse("corrects", "is required"),
        position => position,
    };
    let note = f.parse("note", &m.note, Personal::parse);
    Some(CorrectionNoted { corrects: corrects?, moved: None, note: note? })
}
