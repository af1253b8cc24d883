//! What follows from the facts of a case, said so that two states of it can be compared.

use std::collections::BTreeMap;
use std::fmt;

use api::{Paired, v1};
use calendar::CivilDate;
use domain::gates::{Answer, Explanation, FeeStanding};
use domain::judge::{Judge, JudgedFee};
use domain::money::Money;

/// What is said, by what it is about, in an order that reads well.
pub(super) type Said = BTreeMap<About, String>;

#[derive(Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum About {
    Case,
    Ready,
    Owed,
    Exposed,
    Complaints,
    Kept(&'static str),
    Period(u32),
    OpenFee(u32),
    /// A claimed fee, by its position and its first day.
    Fee(u64, CivilDate),
    Listing(String),
    Clock(String),
}

impl fmt::Display for About {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Case => f.write_str("the case"),
            Self::Ready => f.write_str("ready for work"),
            Self::Exposed => f.write_str("rules that were broken"),
            Self::Complaints => f.write_str("complaints that wait"),
            Self::Kept(what) => write!(f, "kept: {what}"),
            Self::Owed => f.write_str("owed back of fees, in all"),
            Self::Period(number) => write!(f, "period {number}"),
            Self::OpenFee(number) => write!(f, "fee of period {number}"),
            Self::Fee(position, start) => {
                write!(f, "fee of {start}, claimed at position {position}")
            }
            Self::Listing(of) => write!(f, "listing of {of}"),
            Self::Clock(of) => write!(f, "clock {of}"),
        }
    }
}

/// What a judge says of its case.
pub(super) fn of(judge: &Judge<'_>) -> Said {
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
    // A sum beyond all amounts is not said; each of its parts is.
    let mut owed = judge.fees().map(|judged| judged.owed);
    if let Some(first) = owed.next()
        && let Ok(sum) = owed.try_fold(first, Money::plus)
    {
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
pub(super) fn changes(before: &Said, after: &Said) -> Vec<v1::CorrectionEffect> {
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
