//! Why a gate answers as it does: facts first, words when somebody asks.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use calendar::CivilDate;

use super::promised::Promise;
use crate::case::{Cancellation, Mark, Moment};
use crate::event::{EventRef, FoundResult};
use crate::firm::Unknown;
use crate::gates::{Answer, Opens};
use crate::ids::StateCode;
use crate::money::Money;
use crate::rules::{ContractItem, Dimension, PackRef, Security, listed};
use crate::terms::{Channel, Work};
use crate::value::Text;

/// What a gate answers, and why.
pub(super) struct Ruling<'a> {
    pub(super) answer: Answer,
    pub(super) because: Because<'a>,
    /// What would open it, where something would.
    pub(super) opens: Option<Opens>,
    /// The rules of packs, where it is not the statute's alone.
    pub(super) cites: Vec<Text>,
}

impl<'a> Ruling<'a> {
    pub(super) fn holds(because: Because<'a>) -> Self {
        Self { answer: Answer::Holds, because, opens: None, cites: Vec::new() }
    }

    pub(super) fn fails(because: Because<'a>, opens: Opens) -> Self {
        Self { opens: Some(opens), answer: Answer::Fails, ..Self::holds(because) }
    }

    pub(super) fn unknown(because: Because<'a>) -> Self {
        Self { opens: Some(Opens::PutRight), answer: Answer::Unknown, ..Self::holds(because) }
    }

    pub(super) fn citing(self, cites: &Text) -> Self {
        Self { cites: vec![cites.clone()], ..self }
    }

    /// All that stands in the way, what fails before what is not known; nothing if nothing does. It opens once the
    /// hardest of it does.
    pub(super) fn each(mut found: Vec<Self>) -> Option<Self> {
        found.sort_by_key(|ruling| ruling.answer);
        let answer = found.first()?.answer;
        let opens =
            found.iter().filter_map(|ruling| ruling.opens).max_by_key(|opens| opens.hardness());
        let (mut reasons, mut cites) = (Vec::new(), Vec::new());
        for ruling in found {
            let is_new = |cite: &Text| !cites.contains(cite);
            let new: Vec<Text> = ruling.cites.into_iter().filter(is_new).collect();
            cites.extend(new);
            reasons.push(ruling.because);
        }
        Some(Self { answer, because: Because::Each(reasons), opens, cites })
    }
}

/// The facts behind an answer.
pub(super) enum Because<'a> {
    NoPeriod,
    NoAgreement,
    Undone(&'a Cancellation),
    NotAcknowledged,
    Acknowledged {
        acknowledged: &'a Moment,
        signed: &'a Moment,
    },
    OrderUnknown {
        acknowledged: &'a Moment,
        signed: &'a Moment,
    },
    InForce {
        signed: &'a Moment,
        cancel_through: CivilDate,
    },
    CopiesMissing(&'a Moment),
    NoElectronicConsent(&'a Moment),
    NoEarlyService {
        from: CivilDate,
    },
    EarlyService {
        done: Vec<&'a Mark>,
        from: CivilDate,
    },
    Runs {
        until: CivilDate,
    },
    Paused(&'a Mark),
    Cut {
        on: CivilDate,
    },
    GivenUp(&'a Mark),
    NothingPromised,
    NotEvidenced {
        work: Vec<Work>,
        done: Vec<&'a Mark>,
    },
    Done {
        over_on: CivilDate,
        done: Vec<&'a Mark>,
    },
    AuthorityInDoubt {
        sent: &'a Mark,
        told: &'a Mark,
    },
    SignedAfterDeath {
        signed: &'a Moment,
        died: &'a Moment,
    },
    OfContract {
        number: u32,
        why: Box<Self>,
    },
    NotBegun {
        number: u32,
    },
    ContractDone {
        periods: u32,
    },
    NotClaimed,
    GivenBack,
    Claimed(&'a Mark),
    ClaimedBefore {
        fee: &'a Mark,
        start: CivilDate,
    },
    NotTelemarketing {
        channel: Channel,
        enrolled: &'a Mark,
    },
    FrameRuns {
        until: CivilDate,
    },
    NothingAchieved,
    NotShown {
        result: &'a Mark,
        from: CivilDate,
    },
    PromiseOpen(Promise<'a>),
    PromiseNotShown {
        promise: Promise<'a>,
        result: &'a Mark,
        on: CivilDate,
        from: CivilDate,
    },
    PromiseNotFound {
        number: usize,
    },
    FoundNotThere {
        by: &'a Mark,
        found: &'a FoundResult,
    },
    NobodyFound {
        shown: Vec<&'a Mark>,
    },
    NotTold {
        shown: Vec<&'a Mark>,
    },
    GivenInDoubt {
        shown: Vec<&'a Mark>,
        on: CivilDate,
    },
    Shown {
        shown: Vec<&'a Mark>,
    },
    Prohibited(StateCode),
    NotRegistered {
        state: StateCode,
        on: CivilDate,
    },
    NoBond {
        state: StateCode,
        amount: Money,
        on: CivilDate,
    },
    NoSecurity {
        state: StateCode,
        rule: &'a Security,
        amount: Money,
        on: CivilDate,
    },
    AgreementLacks {
        signed: &'a Moment,
        state: StateCode,
        items: Vec<ContractItem>,
    },
    ItemsUnsaid {
        signed: &'a Moment,
        state: StateCode,
    },
    EstimatedTooLong {
        signed: &'a Moment,
        state: StateCode,
        days: u32,
        most: u16,
    },
    AboveCap {
        state: StateCode,
        amount: Money,
        most: Money,
    },
    AboveCapOfEach {
        state: StateCode,
        amount: Money,
        each: Money,
        creditors: u32,
    },
    TooLate {
        done: &'a Mark,
        last: CivilDate,
        days: u16,
    },
    NoStatement,
    NoFederalPack {
        on: CivilDate,
    },
    /// Why the law is not known; nothing if no federal pack was in force at the signing.
    StateUnknown(Option<Unknown>),
    /// Several at once.
    Each(Vec<Self>),
    /// What the state's packs say, and who stands for each.
    Stood {
        why: Box<Self>,
        counsel: Vec<(PackRef, Text, CivilDate)>,
        /// What the firm told of itself that it rests on.
        told: Vec<EventRef>,
    },
    StateAllows {
        state: StateCode,
        packs: Vec<PackRef>,
        at_own_risk: Vec<PackRef>,
        exempt: Vec<(StateCode, EventRef)>,
    },
    Total {
        sum: Option<Money>,
        total: Money,
        signed: &'a Moment,
    },
    AbovePrice {
        amount: Money,
        price: Money,
    },
}

impl<'a> Because<'a> {
    /// The packs that it rests on at the firm's own risk.
    pub(super) fn at_own_risk(&self) -> &[PackRef] {
        if let Self::Stood { why, .. } = self {
            why.at_own_risk()
        } else if let Self::StateAllows { at_own_risk, .. } = self {
            at_own_risk
        } else {
            &[]
        }
    }

    /// The firm's own events that it rests on.
    pub(super) fn told(&self) -> &[EventRef] {
        if let Self::Stood { told, .. } = self { told } else { &[] }
    }

    /// The events it rests on.
    pub(super) fn marks(&self) -> Vec<&'a Mark> {
        match self {
            Self::Undone(cancellation) => vec![&cancellation.moment.mark],
            Self::Acknowledged { acknowledged, signed }
            | Self::OrderUnknown { acknowledged, signed } => {
                vec![&acknowledged.mark, &signed.mark]
            }
            Self::AuthorityInDoubt { sent, told } => vec![sent, told],
            Self::SignedAfterDeath { signed, died } => vec![&signed.mark, &died.mark],
            Self::InForce { signed, .. }
            | Self::AgreementLacks { signed, .. }
            | Self::ItemsUnsaid { signed, .. }
            | Self::EstimatedTooLong { signed, .. }
            | Self::CopiesMissing(signed)
            | Self::NoElectronicConsent(signed)
            | Self::Total { signed, .. } => vec![&signed.mark],
            Self::EarlyService { done, .. }
            | Self::NotEvidenced { done, .. }
            | Self::Done { done, .. }
            | Self::NobodyFound { shown: done }
            | Self::NotTold { shown: done }
            | Self::GivenInDoubt { shown: done, .. }
            | Self::Shown { shown: done } => done.clone(),
            Self::Paused(mark)
            | Self::GivenUp(mark)
            | Self::Claimed(mark)
            | Self::ClaimedBefore { fee: mark, .. }
            | Self::NotTelemarketing { enrolled: mark, .. }
            | Self::NotShown { result: mark, .. }
            | Self::PromiseNotShown { result: mark, .. }
            | Self::FoundNotThere { by: mark, .. }
            | Self::TooLate { done: mark, .. } => vec![mark],
            Self::OfContract { why, .. } | Self::Stood { why, .. } => why.marks(),
            Self::Each(reasons) => reasons.iter().flat_map(Self::marks).collect(),
            Self::NoPeriod
            | Self::NoAgreement
            | Self::NotAcknowledged
            | Self::NoEarlyService { .. }
            | Self::Runs { .. }
            | Self::Cut { .. }
            | Self::NothingPromised
            | Self::NotBegun { .. }
            | Self::ContractDone { .. }
            | Self::NotClaimed
            | Self::GivenBack
            | Self::FrameRuns { .. }
            | Self::NothingAchieved
            | Self::PromiseOpen(_)
            | Self::PromiseNotFound { .. }
            | Self::Prohibited(_)
            | Self::NotRegistered { .. }
            | Self::NoBond { .. }
            | Self::NoSecurity { .. }
            | Self::AboveCap { .. }
            | Self::AboveCapOfEach { .. }
            | Self::NoStatement
            | Self::NoFederalPack { .. }
            | Self::StateUnknown(_)
            | Self::StateAllows { .. }
            | Self::AbovePrice { .. } => Vec::new(),
        }
    }
}

/// Reasons in words, none twice; what a pack does not say was read in one sentence.
fn each(reasons: &[Because<'_>]) -> Vec<String> {
    let mut unread: BTreeMap<&PackRef, BTreeSet<Dimension>> = BTreeMap::new();
    let mut said: Vec<String> = Vec::new();
    for reason in reasons {
        if let Because::StateUnknown(Some(Unknown::Unread { pack, dimension })) = reason {
            unread.entry(pack).or_default().insert(*dimension);
            continue;
        }
        let words = reason.to_string();
        if !said.contains(&words) {
            said.push(words);
        }
    }
    let unread = unread.into_iter().map(|(PackRef { code, version }, dimensions)| {
        let were = if dimensions.len() == 1 { "was" } else { "were" };
        let dimensions: Vec<String> = dimensions.iter().map(ToString::to_string).collect();
        let dimensions = dimensions.join(", ");
        format!("pack {code} version {version} does not say that {dimensions} {were} read")
    });
    said.into_iter().chain(unread).collect()
}

fn named(packs: &[PackRef]) -> String {
    let names: Vec<String> =
        packs.iter().map(|pack| format!("{} version {}", pack.code, pack.version)).collect();
    names.join(" and ")
}

impl fmt::Display for Because<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoPeriod => f.write_str("no period of the service has these days"),
            Self::NoAgreement => f.write_str("no agreement governs the period"),
            Self::Undone(cancellation) => {
                write!(f, "cancelled in the cancellation days, on {}", cancellation.sent_on)
            }
            Self::SignedAfterDeath { signed, died } => write!(
                f,
                "signed on {}, and the client died on {}: no consumer signed it",
                signed.on(),
                died.on()
            ),
            Self::NotAcknowledged => f.write_str("the federal disclosure was never acknowledged"),
            Self::Acknowledged { acknowledged, signed } => write!(
                f,
                "acknowledged on {}, agreement signed on {}",
                acknowledged.on(),
                signed.on()
            ),
            Self::OrderUnknown { signed, .. } => write!(
                f,
                "acknowledged and signed on {}; nobody has said which came first",
                signed.on()
            ),
            Self::InForce { signed, cancel_through } => write!(
                f,
                "signed on {}, cancellation days over after {cancel_through}",
                signed.on()
            ),
            Self::CopiesMissing(signed) => write!(
                f,
                "signed on {} without the copies and the notice of cancellation",
                signed.on()
            ),
            Self::NoElectronicConsent(signed) => {
                write!(f, "signed online on {} without consent to electronic records", signed.on())
            }
            Self::NoEarlyService { from } => {
                write!(f, "no service came before the days ended; service may begin on {from}")
            }
            Self::EarlyService { done, from } => {
                let first = done.first().map_or(*from, |mark| mark.on);
                write!(f, "service was performed on {first}; service may begin on {from}")
            }
            Self::Runs { until } => write!(f, "the period runs to {until}"),
            Self::Paused(mark) => write!(f, "the service is paused since {}", mark.on),
            Self::Cut { on } => write!(f, "the service ended on {on}, before the period did"),
            Self::GivenUp(mark) => write!(f, "given up without a fee on {}", mark.on),
            Self::NothingPromised => f.write_str("the plan promises no work for it"),
            Self::NotEvidenced { work, .. } => {
                let work: Vec<_> = work.iter().map(|work| work.code().replace('_', " ")).collect();
                write!(f, "not evidenced: {}", work.join(", "))
            }
            Self::Done { over_on, done } => {
                write!(f, "over on {over_on}, all {} pieces of work done", done.len())?;
                match done.iter().filter(|mark| mark.late).count() {
                    0 => Ok(()),
                    late => write!(f, "; {late} of it recorded late"),
                }
            }
            Self::AuthorityInDoubt { sent, .. } => write!(
                f,
                "letters left on {}, the day on which the client took back or gave the authority to write; nobody has \
                 said which came first",
                sent.on
            ),
            Self::OfContract { number, why } => write!(f, "period {number}: {why}"),
            Self::NotBegun { number } => write!(f, "period {number} has not begun"),
            Self::ContractDone { periods } => {
                write!(f, "all {periods} periods of the contract are complete")
            }
            Self::NotClaimed => f.write_str("no fee was claimed for the period"),
            Self::GivenBack => f.write_str("what was claimed for the period was given back"),
            Self::Claimed(mark) => write!(f, "claimed on {}, and no other fee was", mark.on),
            Self::ClaimedBefore { fee, start } => {
                write!(f, "the fee of the period of {start} was claimed on {}", fee.on)
            }
            Self::NotTelemarketing { channel, .. } => {
                write!(f, "not telemarketing: {channel} sale, with evidence")
            }
            Self::FrameRuns { until } => write!(f, "the promised time frame runs to {until}"),
            Self::NothingAchieved => {
                f.write_str("no result has been achieved that a report could show")
            }
            Self::NotShown { result, from } => write!(
                f,
                "the result of {} needs a report issued on {from} or later that shows it",
                result.on
            ),
            Self::PromiseOpen(promise) => write!(f, "{promise} has not been achieved, or not kept"),
            Self::PromiseNotShown { promise, on, from, .. } => write!(
                f,
                "{promise} came about on {on} and needs a report issued on {from} or later that still shows it"
            ),
            Self::PromiseNotFound { number } => write!(
                f,
                "promised result {number} is in words alone, and nobody has found which result and report show it"
            ),
            Self::FoundNotThere { by, found } => write!(
                f,
                "the finding of {} names {} at {} and the report of {}: no such result stands, or there is no \
                 such report",
                by.on, found.item, found.bureau, found.report_on
            ),
            Self::NobodyFound { .. } => f.write_str(
                "later reports show every result, and no list says which were promised: a person's finding is \
                 needed",
            ),
            Self::NotTold { .. } => {
                f.write_str("the report that shows the results was not yet given to the client")
            }
            Self::GivenInDoubt { on, .. } => write!(
                f,
                "the report that shows the results and the progress report are both of {on}; nobody has said which \
                 came first"
            ),
            Self::Shown { .. } => {
                f.write_str("the time frame is over and later reports show the promised results")
            }
            Self::Prohibited(state) => write!(f, "the trade is not allowed in {state}"),
            Self::NotRegistered { state, on } => {
                write!(f, "no registration valid on {on} is on file for {state}")
            }
            Self::NoBond { state, amount, on } => {
                write!(f, "no bond of {amount} valid on {on} is on file for {state}")
            }
            Self::NoSecurity { state, rule, amount, on } => {
                let kinds = rule.kinds_named();
                write!(f, "no {kinds} of {amount} valid on {on} is on file for {state}")
            }
            Self::AgreementLacks { signed, state, items } => write!(
                f,
                "the agreement of {} lacks what {state} asks of it: {}",
                signed.on(),
                listed(items.iter())
            ),
            Self::ItemsUnsaid { signed, state } => write!(
                f,
                "nobody has said whether the agreement of {} holds what {state} asks of it",
                signed.on()
            ),
            Self::EstimatedTooLong { signed, state, days, most } => write!(
                f,
                "the agreement of {} estimates {days} days, and {state} allows {most}",
                signed.on()
            ),
            Self::AboveCap { state, amount, most } => {
                write!(f, "{amount} is above {most}, the most that {state} allows a month")
            }
            Self::AboveCapOfEach { state, amount, each, creditors } => write!(
                f,
                "{state} allows {each} a month for each creditor, {amount} is more than that, and reports show {creditors}"
            ),
            Self::TooLate { done, last, days } => {
                write!(f, "work of {} came after {last}, {days} days from signing", done.on)
            }
            Self::NoStatement => {
                f.write_str("no statement of the services performed was sent for the period")
            }
            Self::NoFederalPack { on } => write!(f, "no federal rule pack is in force on {on}"),
            Self::StateUnknown(None) => {
                f.write_str("no federal rule pack was in force on the day of signing")
            }
            Self::StateUnknown(Some(reason)) => write!(f, "{reason}"),
            Self::Each(reasons) => f.write_str(&each(reasons).join("; ")),
            Self::Stood { why, counsel, .. } => {
                write!(f, "{why}")?;
                for (pack, counsel, on) in counsel {
                    let pack = named(std::slice::from_ref(pack));
                    write!(f, "; {pack} confirmed by {counsel} on {on}")?;
                }
                Ok(())
            }
            Self::StateAllows { state, packs, at_own_risk, exempt } => {
                write!(f, "nothing in {} stands against it in {state}", named(packs))?;
                for (state, at) in exempt {
                    let at = at.position;
                    write!(f, "; by position {at} the firm holds itself outside of the act of {state}")?;
                }
                if at_own_risk.is_empty() {
                    Ok(())
                } else {
                    write!(f, "; {} used at the firm's own risk", named(at_own_risk))
                }
            }
            Self::Total { sum: Some(sum), total, .. } => {
                write!(f, "{sum} of {total} with this fee")
            }
            Self::Total { sum: None, total, .. } => {
                write!(f, "more than can be an amount, of {total}, with this fee")
            }
            Self::AbovePrice { amount, price } => {
                write!(f, "{amount} is above the price of the period, {price}")
            }
        }
    }
}
