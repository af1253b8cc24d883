//! The file note of one client: a page to print and read, not a dump.

use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

use calendar::CivilDate;
use domain::case::Corrected;
use domain::event::{Event, ExposureKind, Nature, Recorded, UnearnedPaymentFound, WorkEvidence};
use domain::gates::{Answer, Explanation, Finding};
use domain::ids::AccountId;
use domain::judge::{Breach, Judge, Unsecured};
use domain::text::shown;

use super::case::{Unearned, unearned};
use super::story::{self, Part, and, day};
use super::{OTHER_MEMBER, Own, Told, case, exposed, fees, last_day};
use crate::manifest::Format;

const STYLE: &str = "body{font:11pt/1.5 Georgia,'Times New Roman',serif;color:#1a1a1a;max-width:42em;\
margin:2.5em auto;padding:0 1em}h1{font-size:1.5em;margin:0 0 .2em}h2{font-size:1.05em;margin:1.8em 0 \
.4em;border-bottom:1px solid #999;padding-bottom:.15em}p{margin:.4em 0}.lead{color:#444;margin-bottom:\
1em}dl{margin:.4em 0;display:grid;grid-template-columns:9.5em 1fr;gap:.15em .8em}dt{color:#555}dd{margin:0}\
ul{margin:.3em 0 .3em 1.2em;padding:0}.at{color:#777;font-size:.85em;white-space:nowrap}.held{font-weight:\
bold}.fee{margin:.9em 0;page-break-inside:avoid}footer{margin-top:2.5em;border-top:1px solid #999;\
padding-top:.5em;font-size:.85em;color:#444}@media print{body{margin:0;max-width:none;font-size:10pt}}";

/// The sections, and the beginning of the sentence, that say what an edition of the rules makes of the events.
pub(crate) const CHARGED: &str = "What was charged, and why it could be";
pub(crate) const EXPOSED: &str = "What the firm is exposed by";
pub(crate) const FIRST_WORK: &str = "The first work was done on ";

/// Events, each with its sentence.
type Dated<'a> = Vec<(&'a Recorded, String)>;

struct Page {
    out: String,
    format: Format,
}

/// Escapes text for HTML's content.
fn escaped(text: &str) -> Cow<'_, str> {
    if !text.contains(['&', '<', '>', '"']) {
        return Cow::Borrowed(text);
    }
    let mut out = String::with_capacity(text.len());
    for character in text.chars() {
        match character {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            other => out.push(other),
        }
    }
    Cow::Owned(out)
}

/// `[12]`: where it stands in the log.
fn at(positions: &[u64]) -> String {
    let list: Vec<String> = positions.iter().map(ToString::to_string).collect();
    if list.is_empty() {
        return String::new();
    }
    format!(" <span class=\"at\">[{}]</span>", list.join(", "))
}

impl Page {
    /// Text for HTML's content, in which nothing is hidden.
    fn written<'t>(&self, text: &'t str) -> Cow<'t, str> {
        if !self.format.guards_text() {
            return escaped(text);
        }
        match shown(text) {
            Cow::Borrowed(text) => escaped(text),
            Cow::Owned(text) => escaped(&text).into_owned().into(),
        }
    }

    fn heading(&mut self, text: &str) {
        let text = self.written(text);
        let _ = writeln!(self.out, "<h2>{text}</h2>");
    }

    fn sentence(&mut self, text: &str, positions: &[u64]) {
        let text = self.written(text);
        let _ = writeln!(self.out, "<p>{text}{}</p>", at(positions));
    }

    /// A list of days and what happened on them.
    fn dated(&mut self, told: &Dated<'_>, if_none: &str) {
        if told.is_empty() {
            return self.sentence(if_none, &[]);
        }
        self.out.push_str("<dl>\n");
        for (recorded, sentence) in told {
            let late = recorded
                .late_days
                .map_or(String::new(), |days| format!(" It was recorded {days} days later."));
            let on = day(recorded.occurred_on);
            let (sentence, late) = (self.written(sentence), self.written(&late));
            let place = at(&[recorded.position]);
            let _ = writeln!(self.out, "<dt>{on}</dt><dd>{sentence}{late}{place}</dd>");
        }
        self.out.push_str("</dl>\n");
    }
}

/// Writes a case's file note, with what the judge makes of its fees.
pub(super) fn page(told: &Told<'_>, own: Own<'_>, judge: &Judge<'_>) -> String {
    let mut page = Page { out: String::with_capacity(8 << 10), format: told.frame.format };
    let id = told.id;
    let name = told
        .frame
        .names
        .get(&id)
        .map_or_else(|| format!("Case {id}").into(), |name| page.written(name));
    let _ = write!(
        page.out,
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<title>File note: \
         {name}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n<h1>{name}</h1>\n<p class=\"lead\">\
         File note of case {id}, as of {}. Numbers in brackets are positions in events.jsonl.</p>\n",
        day(told.frame.as_of)
    );
    who(told, own.in_force, &mut page);
    let mut sentences = sentences(told);
    let mut part = |part| sentences.remove(&part).unwrap_or_default();
    papers(told, judge, &part(Part::Papers), &mut page);
    history(&part(Part::Done), &part(Part::Back), &mut page);
    charged(told, own.told, judge, &mut page);
    exposed(told, own.in_force, judge, &mut page);
    let _ = write!(
        page.out,
        "<footer>Made from the events of this bundle and nothing else. They are proved by the \
         checkpoint of the firm's log at size {}, root {}. Rules are engineers' readings with \
         citations; this is not legal advice: state law and licensed counsel decide.</footer>\n\
         </body>\n</html>\n",
        told.frame.size, told.frame.root
    );
    page.out
}

fn who(told: &Told<'_>, own_account: &[Recorded], page: &mut Page) {
    page.heading("Who");
    let Some(enrolment) = &told.case.enrolment else {
        return page.sentence("Nobody has enrolled under this case.", &[]);
    };
    let promised = match enrolment.sale.promised_days {
        0 if page.format.judges_fees() => String::new(),
        days => format!(" Results were promised within {days} days."),
    };
    let sentence = format!(
        "The client enrolled on {}, {}, {}, on the plan {} (version {}). {}{promised}",
        day(enrolment.mark.on),
        story::channel(enrolment.sale.channel),
        story::seat(enrolment.seat),
        enrolment.plan,
        enrolment.plan_version,
        story::paid_through(own_account, enrolment.mark.on, page.format),
    );
    page.sentence(&sentence, &[enrolment.mark.at.position]);
    let payer = fees::payer(told);
    if payer != told.id.own_account() {
        let account = named(told, payer);
        page.sentence(&format!("The fees of this case are paid through {account}."), &[]);
    }
}

fn papers(told: &Told<'_>, judge: &Judge<'_>, identity: &Dated<'_>, page: &mut Page) {
    page.heading("Papers and waiting days");
    let case = &told.case;
    let is_judged = page.format.judges_fees();
    match case.disclosure_delivered() {
        Some(mark) => {
            let on = day(mark.on);
            page.sentence(
                &format!("The federal disclosure was given on {on}."),
                &[mark.at.position],
            );
        }
        None => page.sentence("No delivery of the federal disclosure is on record.", &[]),
    }
    match case::acknowledged(told) {
        Some((recorded, _)) => {
            let on = day(recorded.occurred_on);
            let sentence = format!("The client signed for it on {on} (15 USC 1679c(c)).");
            page.sentence(&sentence, &[recorded.position]);
        }
        None if is_judged => page.sentence("No signature for it is on record.", &[]),
        None => page.sentence("The client has not signed for it.", &[]),
    }
    let contracts = case::contracts(told);
    if contracts.is_empty() {
        let none = if is_judged { "No agreement is on record." } else { "No agreement is signed." };
        page.sentence(none, &[]);
    }
    for contract in &contracts {
        let signed = contract.signed;
        let notice = if signed.copies_given {
            "Copies and the notice of cancellation in duplicate were given"
        } else {
            "No copies and notice of cancellation are on record"
        };
        // Gates judge by what is known now; the days in the event are what was told then.
        let told = if is_judged { "By the rules on record at the signing t" } else { "T" };
        let sentence = format!(
            "The agreement was signed on {} by a client living in {}; it states a total of all \
             payments of {}. {notice} (15 USC 1679e). {told}he client could cancel without penalty through \
             {}; service could begin on {} (15 USC 1679d(a)(2)).",
            day(contract.recorded.occurred_on),
            signed.state,
            signed.total_of_payments,
            day(signed.cancel_through),
            day(signed.service_from),
        );
        page.sentence(&sentence, &[contract.recorded.position]);
        if is_judged {
            against_law(judge, contract.recorded.position, page);
        }
        if let Some((recorded, sent_on)) = contract.cancelled {
            let when = if sent_on <= signed.cancel_through { "in" } else { "after" };
            let sentence =
                format!("The client cancelled it on {}, {when} these days.", day(sent_on));
            page.sentence(&sentence, &[recorded.position]);
        }
    }
    if let Some(mark) = case::first_work(told).filter(|_| is_judged) {
        let is_breach = |(on, breach)| on == mark.on && breach == Breach::ServiceNotAllowed;
        let when = if judge.breaches().any(is_breach) {
            "which no agreement allowed"
        } else {
            "in days that an agreement allowed"
        };
        page.sentence(&format!("{FIRST_WORK}{}, {when}.", day(mark.on)), &[mark.at.position]);
    }
    page.dated(identity, "No identity papers are on record.");
}

/// What stood against a signing, by the packs on record in the end.
fn against_law(judge: &Judge<'_>, signed: u64, page: &mut Page) {
    for against in judge.signed_against_law() {
        if against.signed.mark.at.position == signed {
            let broken: Vec<String> =
                against.violations.iter().map(|v| format!("{} ({})", v.detail, v.cites)).collect();
            let broken = broken.join("; ");
            let sentence =
                format!("It was signed against the law of a state (15 USC 1679j): {broken}.");
            page.sentence(&sentence, &[signed]);
        }
    }
}

/// The case's events in sentences, each part in the order of the days.
fn sentences<'a>(told: &Told<'a>) -> BTreeMap<Part, Dated<'a>> {
    let mut dated: Vec<(&Recorded, Part, String)> = Vec::new();
    let mut told_last = None;
    for recorded in told.events {
        let Event::Case(event) = &recorded.event else { continue };
        // What follows from a fact is told behind it, in its request.
        let cause = match event.nature() {
            Nature::Conclusion => told_last.filter(|(of, _)| *of == recorded.request_id),
            Nature::Fact(_) | Nature::Decision | Nature::Record => None,
        };
        if let Nature::Fact(_) = event.nature() {
            told_last = Some((recorded.request_id, recorded.position));
        }
        if let Some((part, sentence)) = story::of_case(event, told.frame.format) {
            let corrected = |at: u64| told.case.corrected.get(&at).map(|of| (at, of));
            let fact = cause.map_or(recorded.position, |(_, at)| at);
            let sentence = match corrected(fact) {
                Some((_, of)) if cause.is_none() => since_corrected(&sentence, of),
                Some((fact, of)) => followed_from_corrected(&sentence, fact, of),
                None => sentence,
            };
            dated.push((recorded, part, sentence));
        }
    }
    dated.sort_by_key(|(recorded, ..)| (recorded.occurred_on, recorded.position));
    let mut parts: BTreeMap<Part, Dated<'_>> = BTreeMap::new();
    for (recorded, part, sentence) in dated {
        parts.entry(part).or_default().push((recorded, sentence));
    }
    parts
}

/// What was told of a fact, and what became of it. Whose it was, if another person's, is for nobody who reads of this
/// client.
fn since_corrected(sentence: &str, corrected: &Corrected) -> String {
    let (how, at) = (how_corrected(corrected), corrected.reading.at.position);
    if corrected.about_another {
        format!("What was told here was another person's, and was {how} at position {at}.")
    } else {
        format!("{sentence} That was {how} later, at position {at}.")
    }
}

/// What followed from a fact as it was told first.
fn followed_from_corrected(sentence: &str, fact: u64, corrected: &Corrected) -> String {
    let (how, at) = (how_corrected(corrected), corrected.reading.at.position);
    if corrected.about_another {
        format!(
            "What followed from position {fact}: that was another person's, and was {how} at position {at}."
        )
    } else {
        format!(
            "{sentence} It followed from position {fact}, which was {how} later, at position {at}."
        )
    }
}

const fn how_corrected(corrected: &Corrected) -> &'static str {
    if corrected.stands { "told anew" } else { "taken back" }
}

fn history(done: &Dated<'_>, back: &Dated<'_>, page: &mut Page) {
    let is_judged = page.format.judges_fees();
    let nothing = |then| if is_judged { "Nothing is on record." } else { then };
    page.heading("What was done");
    page.dated(done, nothing("Nothing was done yet."));
    page.heading("What came back");
    page.dated(back, nothing("Nothing came back yet."));
}

fn charged(told: &Told<'_>, own_account: &[Recorded], judge: &Judge<'_>, page: &mut Page) {
    page.heading(CHARGED);
    if page.format.judges_fees() {
        fees_of(told, judge, page);
    }
    let id = told.id.own_account();
    let own = told.accounts.get(&id);
    let money = own_account.iter().filter_map(|recorded| match &recorded.event {
        Event::Account(event) => {
            let mut sentence = story::of_account(id, event)?;
            if let Some(known) = own.and_then(|own| own.corrected.get(&recorded.position)) {
                let how = match known.again {
                    None => "taken back",
                    Some(at) if at == id => "told anew",
                    Some(_) => "told as another client's",
                };
                let _ =
                    write!(sentence, " That was {how} later, at position {}.", known.by.position);
            }
            Some((recorded, sentence))
        }
        Event::Case(_) | Event::Deposit(_) | Event::Firm(_) | Event::Look(_) => None,
    });
    page.heading("Invoices and payments");
    let elsewhere = elsewhere(told);
    let if_none = match elsewhere.first() {
        None if page.format.judges_fees() => "No invoice or payment is on record.".to_owned(),
        None => "No invoice was issued and nothing was paid.".to_owned(),
        Some(account) => format!("Invoices and payments stand on {}.", named(told, *account)),
    };
    let money: Dated<'_> = money.collect();
    page.dated(&money, &if_none);
    // Fees of the time in which another account paid stay there.
    let others = match (page.format.judges_fees(), money.is_empty()) {
        (false, _) => None,
        (true, true) => elsewhere.get(1..),
        (true, false) => Some(&*elsewhere),
    };
    for account in others.unwrap_or_default() {
        let sentence = format!("Others stand on {}.", named(told, *account));
        page.sentence(&sentence, &[]);
    }
}

/// Work that a claim names, and what became of it since.
fn evidence(told: &Told<'_>, e: &WorkEvidence) -> String {
    let named = format!("{} of {}", story::work(e.work), day(e.on));
    let at = e.event.position;
    match told.case.corrected.get(&at) {
        Some(corrected) if !corrected.stands => {
            format!("{named} (which was taken back at position {})", corrected.reading.at.position)
        }
        Some(corrected) => {
            let now = told.in_force.binary_search_by_key(&at, |recorded| recorded.position).ok();
            let now = now.map_or(e.on, |place| told.in_force[place].occurred_on);
            let position = corrected.reading.at.position;
            format!("{named} (told anew at position {position}, of {})", day(now))
        }
        None => named,
    }
}

fn fees_of(told: &Told<'_>, judge: &Judge<'_>, page: &mut Page) {
    let told_first = fees::told_first(told);
    for (earned, judged) in told.earned.iter().zip(judge.fees()) {
        let fee = earned.fee;
        let on_invoice =
            judged.invoice.map_or(String::new(), |number| format!(" on invoice {number}"));
        let work: Vec<String> = fee.evidence.iter().map(|e| evidence(told, e)).collect();
        let sentence = format!(
            "Period {}, {} to {}: a fee of {} was claimed on {}{on_invoice}, for {}.",
            fee.period,
            day(fee.start),
            day(last_day(fee.end)),
            fee.amount,
            day(earned.recorded.occurred_on),
            and(&work),
        );
        let mut positions = vec![earned.recorded.position];
        positions.extend(fee.evidence.iter().map(|e| e.event.position));
        page.out.push_str("<div class=\"fee\">\n");
        page.sentence(&sentence, &positions);
        page.sentence(&exposed::stands(&judged, judge), &[]);
        for (sentence, position) in exposed::keepings(told, &judged) {
            page.sentence(&sentence, &[position]);
        }
        let mut explained = judge.explain_claimed(&judged);
        judge.name_corrections(&mut explained, &told_first);
        gates(&explained, page);
        page.out.push_str("</div>\n");
    }
    for (mark, explanation) in fees::given_up(told, judge) {
        let number = explanation.period.number;
        let sentence = format!("Period {number} was given up without a fee on {}.", day(mark.on));
        page.sentence(&sentence, &[mark.at.position]);
    }
    for mut explanation in fees::open(told, judge) {
        judge.name_corrections(&mut explanation, &told_first);
        held(&explanation, page);
    }
    if told.earned.is_empty() {
        page.sentence("No fee was claimed.", &[]);
    }
}

/// An account as a page names it: of a couple's member whom the bundle does not tell of, no page does.
fn named(told: &Told<'_>, account: AccountId) -> String {
    let told_of = told.frame.told_of.as_ref().filter(|_| told.frame.format.judges_fees());
    match told_of {
        Some(told_of) if !told_of.contains(&account.owner()) => {
            format!("the account of {OTHER_MEMBER}")
        }
        Some(_) | None => format!("the account {account}"),
    }
}

/// The accounts but the client's own on which money of the case stands: the one that it is paid through, then those
/// on which its fees were claimed.
fn elsewhere(told: &Told<'_>) -> Vec<AccountId> {
    let mut accounts = vec![fees::payer(told)];
    if told.frame.format.judges_fees() {
        accounts.extend(told.case.earned.iter().map(|fee| fee.account));
    }
    let own = told.id.own_account();
    let mut seen = BTreeSet::new();
    accounts.retain(|account| *account != own && seen.insert(*account));
    accounts
}

fn gates(explanation: &Explanation, page: &mut Page) {
    page.out.push_str("<ul>\n");
    for finding in &explanation.findings {
        gate(finding, page);
    }
    page.out.push_str("</ul>\n");
}

fn gate(finding: &Finding, page: &mut Page) {
    let (class, word) = match finding.answer {
        Answer::Holds => ("", ""),
        Answer::Fails => (" class=\"held\"", "Does not hold: "),
        Answer::Unknown => (" class=\"held\"", "Not known: "),
    };
    let (asks, because) = (page.written(finding.gate.asks()), page.written(&finding.because));
    let positions: Vec<u64> = finding.events.iter().map(|event| event.position).collect();
    let (cites, place) = (page.written(&finding.cites), at(&positions));
    let _ = writeln!(
        page.out,
        "<li{class}>{word}{}, {asks}: {because} ({cites}).{place}</li>",
        finding.gate
    );
}

/// A period that is over and not billed: what stands in the way.
fn held(explanation: &Explanation, page: &mut Page) {
    let period = explanation.period;
    let amount = explanation.amount.map_or(String::new(), |amount| format!(" of {amount}"));
    // A fee that was given back may have been asked for before.
    let ends = if explanation.is_claimable() {
        "may be asked for, since every gate holds"
    } else {
        "is not to be asked for, because these gates do not hold"
    };
    let (start, end) = (day(period.start), day(last_day(period.end)));
    page.out.push_str("<div class=\"fee\">\n");
    page.sentence(
        &format!("Period {}, {start} to {end}: the fee{amount} {ends}.", period.number),
        &[],
    );
    if !explanation.is_claimable() {
        page.out.push_str("<ul>\n");
        for finding in explanation.findings.iter().filter(|finding| !finding.holds()) {
            gate(finding, page);
        }
        page.out.push_str("</ul>\n");
    } else if explanation.helped_gates().next().is_some() {
        page.out.push_str("<ul>\n");
        for finding in explanation.findings.iter().filter(|finding| finding.is_corrected) {
            gate(finding, page);
        }
        page.out.push_str("</ul>\n");
    }
    page.out.push_str("</div>\n");
}

fn exposed(told: &Told<'_>, own_account: &[Recorded], judge: &Judge<'_>, page: &mut Page) {
    page.heading(EXPOSED);
    if !page.format.judges_fees() {
        return;
    }
    let standing = case::standing(told);
    let unsecured_work = judge.unsecured_work();
    let mut any = false;
    for seen in &told.case.exposures {
        any = true;
        let state = if !standing.contains(&seen.mark.at.position) {
            "it was put right".to_owned()
        } else if seen.found.kind == ExposureKind::WorkUnsecured {
            unsecured(&unsecured_work, seen.mark.on)
        } else {
            "it stands".to_owned()
        };
        let sentence = format!(
            "{}: {} ({}); {state}.",
            day(seen.mark.on),
            seen.found.kind.code().replace('_', " "),
            seen.found.cites,
        );
        page.sentence(&sentence, &[seen.mark.at.position]);
    }
    for judged in judge.fees().filter(|judged| judged.exposed.is_positive()) {
        any = true;
        page.sentence(&exposed::of_fee(&judged), &[judged.fee.mark.at.position]);
    }
    for Unearned { recorded, found, amount } in unearned(told, own_account) {
        any = true;
        let on = day(recorded.occurred_on);
        let owed = owed(told, found);
        let sentence = format!(
            "{on}: {amount} of the payment {} had no earned fee behind it ({}){owed}",
            found.payment, found.cites
        );
        page.sentence(&sentence, &[recorded.position]);
    }
    if !any {
        page.sentence("Nothing is on record.", &[]);
    }
}

/// What did not stand on the days of work, by the packs and papers on record in the end.
fn unsecured(work: &[Unsecured<'_>], on: CivilDate) -> String {
    let of_day = work.iter().filter(|of| of.done.on() == on).flat_map(|of| &of.violations);
    let broken: BTreeSet<String> =
        of_day.map(|broken| format!("{} ({})", broken.detail, broken.cites)).collect();
    if broken.is_empty() {
        return "by the packs and papers on record nothing was missing that day".to_owned();
    }
    let broken: Vec<String> = broken.into_iter().collect();
    format!("it stands: {}", broken.join("; "))
}

/// What of a payment that nothing earned stood behind is owed now: some of it may have gone back since.
fn owed(told: &Told<'_>, e: &UnearnedPaymentFound) -> String {
    let account = told.accounts.get(&told.id.own_account());
    let payment = account.and_then(|account| account.payments.get(&e.payment));
    let left = payment.map(|payment| payment.unearned_left).filter(|left| left.is_positive());
    left.map_or("; nothing of it is owed any more.".to_owned(), |left| {
        format!("; {left} of the payment is owed to the client.")
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_of_the_record_becomes_markup() {
        assert_eq!(escaped("<b>\"A & B\"</b>"), "&lt;b&gt;&quot;A &amp; B&quot;&lt;/b&gt;");
        let page = |format| Page { out: String::new(), format };
        assert_eq!(page(Format::V3).written("<a\u{202e}b>"), "&lt;a\u{fffd}b&gt;");
        assert_eq!(page(Format::V2).written("<a\u{202e}b>"), "&lt;a\u{202e}b&gt;");
    }
}
