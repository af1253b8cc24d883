//! What follows from the facts of a case, said so that two states of it can be compared.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use api::{Paired, v1};
use calendar::CivilDate;
use domain::account::Account;
use domain::case::NoticeSent;
use domain::event::Circumstance;
use domain::gates::{Answer, Explanation, FeeStanding};
use domain::ids::{AccountId, CaseId};
use domain::judge::{Judge, JudgedFee};
use domain::money::Money;
use domain::{Halt, World};

use crate::trial;

/// What is said, by what it is about, in an order that reads well.
pub(crate) type Said = BTreeMap<About, String>;

#[derive(Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum About {
    Case,
    Ready,
    Owed,
    Exposed,
    Complaints,
    Circumstance(&'static str),
    Kept(&'static str),
    Period(u32),
    OpenFee(u32),
    /// A claimed fee, by its position and its first day.
    Fee(u64, CivilDate),
    Listing(String),
    Clock(String),
    /// A sum of an account.
    Sum(AccountId, &'static str),
    Invoice(u64),
    Payment(String),
}

impl fmt::Display for About {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Case => f.write_str("the case"),
            Self::Ready => f.write_str("ready for work"),
            Self::Exposed => f.write_str("rules that were broken"),
            Self::Complaints => f.write_str("complaints that wait"),
            Self::Circumstance(what) => f.write_str(&what.replace('_', " ")),
            Self::Kept(what) => write!(f, "kept: {what}"),
            Self::Owed => f.write_str("owed back of fees, in all"),
            Self::Period(number) => write!(f, "period {number}"),
            Self::OpenFee(number) => write!(f, "fee of period {number}"),
            Self::Fee(position, start) => {
                write!(f, "fee of {start}, claimed at position {position}")
            }
            Self::Listing(of) => write!(f, "listing of {of}"),
            Self::Clock(of) => write!(f, "clock {of}"),
            Self::Sum(account, what) => write!(f, "{what}, account {account}"),
            Self::Invoice(number) => write!(f, "invoice {number}"),
            Self::Payment(name) => write!(f, "payment {name}"),
        }
    }
}

/// What a judge says of its case.
pub(crate) fn of(judge: &Judge<'_>) -> Said {
    let mut said = Said::new();
    let case = judge.case();
    said.insert(About::Case, case.status().to_string());
    said.insert(About::Ready, format!("{} %", case.readiness(judge.today()).percent()));
    let mut exposed: Vec<String> = case
        .standing_exposures()
        .map(|seen| format!("{} on {}", seen.found.kind.code().replace('_', " "), seen.mark.on))
        .collect();
    exposed.sort_unstable();
    said.insert(About::Exposed, exposed.join(", "));
    said.insert(About::Complaints, case.open_complaints().count().to_string());
    for told in case.circumstances_on(judge.today()) {
        let turned = if told.said.holds { "since" } else { "ended on" };
        let about = About::Circumstance(told.said.kind.code());
        said.insert(about, format!("{turned} {}", told.since.on()));
    }
    let notices = case.notices(&[]);
    if !notices.is_empty() {
        let of = |notice: &NoticeSent<'_>| format!("for {}", notice.charge_on);
        let notices: Vec<String> = notices.iter().map(of).collect();
        said.insert(About::Circumstance(Circumstance::ChargeNotice.code()), notices.join(", "));
    }
    for kept in case.retained() {
        said.insert(About::Kept(kept.what), format!("until {}", kept.until));
    }
    for period in judge.periods() {
        let last = period.end.pred_opt().unwrap_or(period.end);
        said.insert(About::Period(period.number), format!("{} to {last}", period.start));
        let explained = judge.explain(period.number, judge.today());
        let unclaimed = explained.filter(|explained| explained.earned.is_none());
        if let Some(explained) = unclaimed {
            said.insert(About::OpenFee(period.number), open_fee(&explained));
        }
    }
    for judged in judge.fees() {
        let about = About::Fee(judged.fee.mark.at.position, judged.fee.start);
        said.insert(about, claimed_fee(&judged));
    }
    if let Some(sum) = owed(judge) {
        said.insert(About::Owed, sum.to_string());
    }
    for ((item, bureau), listing) in case.listings.iter() {
        let status = format!("{} since {}", listing.status, listing.since.on);
        said.insert(About::Listing(format!("{item} at {bureau}")), status);
    }
    for clock in judge.clocks() {
        let about = clock.item.as_ref().map_or_else(
            || clock.round.map_or_else(String::new, |round| format!(", round {round}")),
            |item| format!(", {item}"),
        );
        let kind = v1::ClockKind::from_domain(clock.clock).as_str_name();
        let kind = kind.trim_start_matches("CLOCK_KIND_").to_lowercase().replace('_', " ");
        let done = clock.done_on.map_or_else(String::new, |on| format!(", done {on}"));
        let about = format!("{kind} of {}{about}, from {}", clock.bureau, clock.started_on);
        said.insert(About::Clock(about), format!("due {}{done}", clock.due_on));
    }
    said
}

/// What is owed back of claimed fees, in all; nothing if none was claimed. A sum beyond all amounts is not said; each
/// of its parts is.
pub(crate) fn owed(judge: &Judge<'_>) -> Option<Money> {
    let mut owed = judge.fees().map(|judged| judged.owed);
    let first = owed.next()?;
    owed.try_fold(first, Money::plus).ok()
}

/// What an account says of its money, and the judges of the cases it was invoiced for of their claimed fees.
fn of_account(id: AccountId, account: &Account, fees: &[ClaimedFee]) -> Said {
    let mut said = Said::new();
    for (number, invoice) in account.invoices.iter() {
        let parts = [
            ("paid", invoice.paid),
            ("credited", invoice.credited),
            ("given up", invoice.written_off),
            ("open", invoice.open()),
        ];
        let parts = parts.into_iter().filter(|(_, amount)| !amount.is_zero());
        let parts: Vec<String> = parts.map(|(what, amount)| format!("{amount} {what}")).collect();
        let waits = invoice.charge_open.map(|attempt| format!("try {attempt} waits"));
        let failed = invoice.failed.map(|why| format!("the latest try failed ({why})"));
        let next = invoice.next_try_on.map(|day| format!("next try on {day}"));
        let charge = waits.into_iter().chain(failed).chain(next);
        said.insert(
            About::Invoice(*number),
            parts.into_iter().chain(charge).collect::<Vec<String>>().join(", "),
        );
    }
    for (name, payment) in account.payments.iter() {
        let back = [("given back", payment.returned), ("not earned", payment.unearned_left)];
        let back = back.into_iter().filter(|(_, amount)| !amount.is_zero());
        let parts = back.map(|(what, amount)| format!("{amount} {what}"));
        let came = format!("{} on {}", payment.amount, payment.mark.on);
        let parts: Vec<String> = std::iter::once(came).chain(parts).collect();
        said.insert(About::Payment(name.to_string()), parts.join(", "));
    }
    let own = || fees.iter().filter(|fee| fee.account == id);
    let owed = account.unearned_minor() + own().map(|fee| fee.owed.minor()).sum::<i64>();
    let open = account.open_minor();
    let receivable = open - own().map(|fee| fee.open.minor()).sum::<i64>();
    let currency = account.payments.values().map(|payment| payment.amount.currency());
    let currency =
        currency.chain(account.invoices.values().map(|invoice| invoice.total.currency())).next();
    let amount = |minor: i64| {
        let amount = currency.and_then(|currency| Money::new(minor, currency).ok());
        amount.map_or_else(|| minor.to_string(), |amount| amount.to_string())
    };
    said.insert(About::Sum(id, "open on invoices"), amount(open));
    said.insert(About::Sum(id, "owed to the client"), amount(owed));
    said.insert(About::Sum(id, "receivable"), amount(receivable));
    said.extend(fees.iter().map(|fee| (About::Fee(fee.position, fee.start), fee.said.clone())));
    said
}

/// What an account and the claimed fees on its invoices come to in a world, if all of it is loaded there.
pub(crate) fn of_money(world: &World, id: AccountId, today: CivilDate) -> Result<Said, Halt> {
    let account = world.account(id)?;
    let lines = account.invoices.values().flat_map(|invoice| &invoice.lines);
    let cases: BTreeSet<CaseId> = lines.map(|line| line.case).collect();
    let mut fees = Vec::new();
    for case in cases {
        fees.extend(trial::judge(world, case, today, claimed)?);
    }
    Ok(of_account(id, account, &fees))
}

/// What a judge says of the claimed fees of its case alone.
pub(crate) fn of_fees(judge: &Judge<'_>) -> Said {
    let fees = claimed(judge).into_iter();
    fees.map(|fee| (About::Fee(fee.position, fee.start), fee.said)).collect()
}

/// A claimed fee, judged.
struct ClaimedFee {
    /// The account it was claimed for.
    account: AccountId,
    position: u64,
    start: CivilDate,
    owed: Money,
    open: Money,
    said: String,
}

/// The claimed fees of a judge's case.
fn claimed(judge: &Judge<'_>) -> Vec<ClaimedFee> {
    let fees = judge.fees().map(|judged| ClaimedFee {
        account: judged.fee.account,
        position: judged.fee.mark.at.position,
        start: judged.fee.start,
        owed: judged.owed,
        open: judged.open,
        said: claimed_fee(&judged),
    });
    fees.collect()
}

fn open_fee(explained: &Explanation) -> String {
    let answering = |answer: Answer| {
        let gates = explained.findings.iter().filter(move |finding| finding.answer == answer);
        gates.map(|finding| finding.gate.code()).collect::<Vec<&str>>().join(", ")
    };
    let (failing, unknown) = (answering(Answer::Fails), answering(Answer::Unknown));
    match (failing.as_str(), unknown.as_str(), explained.amount) {
        ("", "", Some(amount)) => format!("claimable, {amount}"),
        ("", "", None) => "claimable".into(),
        ("", unknown, _) => format!("held, {unknown} unknown"),
        (failing, "", _) => format!("held by {failing}"),
        (failing, unknown, _) => format!("held by {failing}, {unknown} unknown"),
    }
}

fn claimed_fee(judged: &JudgedFee<'_>) -> String {
    let gates: Vec<&str> = judged.closed.iter().map(|gate| gate.code()).collect();
    let by = if gates.is_empty() { String::new() } else { format!(" ({})", gates.join(", ")) };
    match judged.standing {
        FeeStanding::Allowed if judged.exposed.is_zero() => "allowed".into(),
        FeeStanding::Unproved => format!("not proved{by}"),
        FeeStanding::Allowed | FeeStanding::Exposed => format!(
            "{} not allowed{by}, {} owed back, {} open",
            judged.exposed, judged.owed, judged.open
        ),
    }
}

/// Where two differ.
pub(crate) fn changes(before: &Said, after: &Said) -> Vec<v1::CorrectionEffect> {
    let text = |said: &Said, about: &About| said.get(about).cloned().unwrap_or_default();
    let mut subjects: Vec<&About> = before.keys().chain(after.keys()).collect();
    subjects.sort();
    subjects.dedup();
    let changed = subjects.into_iter().filter(|subject| before.get(subject) != after.get(subject));
    changed
        .map(|subject| v1::CorrectionEffect {
            subject: subject.to_string(),
            before: text(before, subject),
            after: text(after, subject),
        })
        .collect()
}
