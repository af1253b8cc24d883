//! What must hold, exactly (the trade): gates, periods, claimable fees and exposures are a function of the facts
//! by their days, of the decisions as recorded and of the day, whatever the order of telling.
//! A fact that was told wrongly and corrected is one that was told right at first.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::collections::{BTreeMap, BTreeSet};

use calendar::{CivilDate, Period};
use domain::State;
use domain::account::PaymentPath;
use domain::case::Case;
use domain::command::Command;
use domain::event::{
    CaseEvent, Event, FactKind, FeeMarked, FirmEvent, Letter, MailClass, Nature,
    ProgressReportSent, Recorded, RoundSent, StreamId, in_force,
};
use domain::gates::FeeStanding;
use domain::gates::{Answer, Gate};
use domain::ids::{AccountId, CaseId, RequestId};
use domain::judge::{Breach, Judge, Matter};
use domain::money::Money;
use rand::rngs::StdRng;
use rand::seq::SliceRandom;
use rand::{RngExt, SeedableRng};
use uuid::Uuid;

use crate::history::Move;
use crate::judging::{judged, judged_of, of_matter};
use crate::player::Player;

/// In how many other orders each client's story is told.
const TELLINGS: usize = 3;
/// How many pieces of work are tried for each client.
const PIECES: usize = 6;

/// What is concluded of a case.
#[derive(Debug, PartialEq, Eq)]
struct Judgement {
    periods: Vec<Period>,
    /// Of each period without a standing fee.
    open: Vec<Open>,
    fees: Vec<Fee>,
    breaches: Vec<(CivilDate, Breach)>,
}

#[derive(Debug, PartialEq, Eq)]
struct Open {
    period: u32,
    amount: Option<Money>,
    gates: Vec<(Gate, Answer)>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
struct Fee {
    standing: FeeStanding,
    exposed: Money,
    owed: Money,
    asked_on: CivilDate,
    closed: Vec<Gate>,
}

fn judgement(judge: &Judge<'_>) -> Judgement {
    let open = judge.periods().filter_map(|period| {
        let explained = judge.explain(period.number, judge.today()).unwrap();
        let gates = explained.findings.iter().map(|finding| (finding.gate, finding.answer));
        explained.earned.is_none().then(|| Open {
            period: period.number,
            amount: explained.amount,
            gates: gates.collect(),
        })
    });
    let mut breaches: Vec<(CivilDate, Breach)> = judge.breaches().collect();
    breaches.sort_unstable();
    Judgement {
        periods: judge.periods().collect(),
        open: open.collect(),
        fees: judged_fees(judge),
        breaches,
    }
}

fn judged_fees(judge: &Judge<'_>) -> Vec<Fee> {
    let fee = |judged: domain::judge::JudgedFee<'_>| Fee {
        standing: judged.standing,
        exposed: judged.exposed,
        owed: judged.owed,
        asked_on: judged.asked_on,
        closed: judged.closed,
    };
    judge.fees().map(fee).collect()
}

/// After every append: what was claimed by it is allowed, what it held is not claimable, no fee is judged otherwise
/// than its gates answer, and the log says of each what the judge finds. What the firm itself told waits for a review.
pub fn holds_after(player: &Player, step: &Move, events: &[Recorded]) {
    let Some(today) = player.world.firm().unwrap().today(step.now) else { return };
    for case in touched(player, step, events) {
        judged(&player.world, case, today, |judge| {
            fees_are_as_their_gates(judge);
            if !player.world.firm().unwrap().review_is_due() {
                is_as_marked(player, case, judge);
            }
            let of_case = events.iter().filter(|recorded| recorded.stream == StreamId::Case(case));
            let is_claimed = of_case
                .clone()
                .any(|recorded| matches!(recorded.event, Event::Case(CaseEvent::FeeEarned(_))));
            of_case.for_each(|recorded| decided_rightly(judge, recorded, is_claimed));
            if let Command::BillAccount { account, as_of } = step.command
                && player.world.account(account).unwrap().path_of(case) == PaymentPath::Here
            {
                nothing_is_left(judge, as_of);
            }
        });
    }
}

/// Two logs of one life tell the same of every client.
pub fn is_the_same(player: &Player, other: &Player) {
    assert_eq!(player.log.len(), other.log.len());
    assert_eq!(today(player), today(other));
    assert_eq!(player.cases(), other.cases());
    for case in player.cases() {
        let of = |player: &Player| judged(&player.world, case, today(player), judgement);
        assert_eq!(of(player), of(other), "{case}");
    }
}

/// After every review: the log says of every claimed fee of the firm what the judge finds.
pub fn all_are_as_marked(player: &Player, today: CivilDate) {
    assert!(!player.world.firm().unwrap().review_is_due(), "they were judged again");
    for case in player.cases() {
        judged(&player.world, case, today, |judge| is_as_marked(player, case, judge));
    }
}

/// The events alone say what is concluded of a claimed fee; of one that was never marked, that it is allowed.
fn is_as_marked(player: &Player, case: CaseId, judge: &Judge<'_>) {
    let mut said: BTreeMap<u64, &FeeMarked> = BTreeMap::new();
    for recorded in player.log.iter().filter(|recorded| recorded.stream == StreamId::Case(case)) {
        if let Event::Case(CaseEvent::FeeMarked(marked)) = &recorded.event {
            said.insert(marked.fee.position, marked);
        }
    }
    for fee in judge.fees() {
        let zero = Money::zero(fee.fee.amount.currency());
        let marked = said.get(&fee.fee.mark.at.position);
        let said = marked.map(|said| (said.standing, said.exposed, said.owed, said.open));
        let said = said.unwrap_or((FeeStanding::Allowed, zero, zero, zero));
        assert_eq!(said, (fee.standing, fee.exposed, fee.owed, fee.open), "{case}: {fee:?}");
    }
}

/// The cases of which an append tells something.
fn touched(player: &Player, step: &Move, events: &[Recorded]) -> BTreeSet<CaseId> {
    let mut cases = BTreeSet::new();
    let mut accounts: BTreeSet<AccountId> = BTreeSet::new();
    for recorded in events {
        match recorded.stream {
            StreamId::Case(case) => drop(cases.insert(case)),
            StreamId::Account(account) => drop(accounts.insert(account)),
            _ => {}
        }
    }
    if let Command::BillAccount { account, .. } = step.command {
        accounts.insert(account);
    }
    for account in accounts {
        cases.extend(player.world.account(account).unwrap().members.iter().copied());
    }
    cases.retain(|case| player.world.case(*case).is_ok_and(|case| case.enrolment.is_some()));
    cases
}

fn decided_rightly(judge: &Judge<'_>, recorded: &Recorded, is_claimed: bool) {
    match &recorded.event {
        Event::Case(CaseEvent::FeeEarned(fee)) => {
            let found = judge.fees().find(|j| j.fee.mark.at.position == recorded.position).unwrap();
            assert_eq!(found.standing, FeeStanding::Allowed, "{fee:?}");
            assert!(found.exposed.is_zero() && found.closed.is_empty(), "{fee:?}");
            assert!(fee.end <= fee.as_of, "claimed before the period was over");
        }
        Event::Case(CaseEvent::FeeHeld(held)) => {
            let explained = judge.explain(held.period, recorded.occurred_on).unwrap();
            assert!(!explained.is_claimable(), "{held:?}");
            let closed: BTreeSet<Gate> = explained.closed_gates().collect();
            assert!(held.gates.is_subset(&closed), "{held:?} {closed:?}");
            // A fee that the same run claimed next may have taken what was left of the agreement's total.
            let more: Vec<Gate> = closed.difference(&held.gates).copied().collect();
            assert!(more.is_empty() || is_claimed && more == [Gate::Total], "{held:?} {more:?}");
        }
        _ => {}
    }
}

/// A billing run leaves nothing behind that it may claim.
fn nothing_is_left(judge: &Judge<'_>, as_of: CivilDate) {
    for number in judge.open_periods(as_of).filter(|number| !judge.was_claimed(*number)) {
        assert!(!judge.explain(number, as_of).unwrap().is_claimable(), "period {number} is left");
    }
}

/// A fee is allowed if every gate held on each day it was asked for, exposed if one failed, unproved otherwise;
/// and no two stand for one period.
fn fees_are_as_their_gates(judge: &Judge<'_>) {
    let standing: BTreeSet<u64> = judge
        .periods()
        .filter_map(|period| judge.explain(period.number, judge.today())?.earned)
        .map(|mark| mark.at.position)
        .collect();
    let mut used = BTreeSet::new();
    for fee in judge.fees() {
        let explained = judge.explain_claimed(&fee);
        let worst = explained.findings.iter().map(|finding| finding.answer).min().unwrap();
        match fee.standing {
            FeeStanding::Allowed => {
                let is_above_price = fee.exposed.is_positive() && fee.closed == [Gate::Total];
                assert!(worst == Answer::Holds || is_above_price, "{fee:?}");
            }
            FeeStanding::Unproved => assert_ne!(worst, Answer::Holds, "{fee:?}"),
            FeeStanding::Exposed => {
                assert_eq!(worst, Answer::Fails, "{fee:?}");
                assert_eq!(fee.exposed, fee.fee.amount);
            }
        }
        let stands = standing.contains(&fee.fee.mark.at.position);
        assert!(stands || fee.standing == FeeStanding::Exposed, "two fees for one period: {fee:?}");
        assert!(fee.owed.minor() + fee.open.minor() <= fee.exposed.minor(), "{fee:?}");
    }
    for period in judge.periods() {
        let explained = judge.explain(period.number, judge.today()).unwrap();
        let promised = explained.work.iter().filter_map(|work| work.done.as_ref());
        if explained.earned.is_none() {
            for done in promised {
                assert!(used.insert(done.at.position), "one piece of work counts twice");
            }
        }
    }
}

/// The day after the last one on which anything was recorded.
pub fn today(player: &Player) -> CivilDate {
    let last = player.log.last().unwrap().recorded_at;
    player.world.firm().unwrap().today(last).unwrap()
}

fn events_of(player: &Player, case: CaseId) -> Vec<Recorded> {
    let own = player.log.iter().filter(|r| r.stream == StreamId::Case(case));
    in_force(&own.cloned().collect::<Vec<Recorded>>())
}

fn folded(case: CaseId, events: impl IntoIterator<Item = Recorded>) -> Case {
    let stream = StreamId::Case(case);
    let mut state = State::empty(stream);
    for (version, recorded) in (1..).zip(events) {
        let recorded = Recorded { position: version, stream_version: version, ..recorded };
        state.fold(&recorded).unwrap();
    }
    let State::Case(case) = state else { unreachable!("it is a case") };
    std::sync::Arc::unwrap_or_clone(case)
}

/// No reading of a day in doubt that is left out would be judged otherwise.
pub fn no_reading_is_missed(player: &Player) {
    let today = today(player);
    for id in player.cases() {
        let case = player.world.case(id).unwrap();
        of_matter(&player.world, id, case, today, |matter| {
            assert_eq!(judgement(&Judge::of(matter)), judgement(&Judge::thorough(matter)), "{id}");
        });
    }
}

/// The same facts, each client's permuted among each other, and the decisions as recorded: the same judgement.
pub fn order_of_telling_decides_nothing(player: &Player, seed: u64) {
    let mut rng = StdRng::seed_from_u64(seed);
    let today = today(player);
    for case in player.cases() {
        let told = events_of(player, case);
        let of = |events: Vec<Recorded>| {
            judged_of(&player.world, case, &folded(case, events), today, judgement)
        };
        let as_told = of(told.clone());
        assert_eq!(as_told, judged(&player.world, case, today, judgement), "{case}");
        for _ in 0..TELLINGS {
            let otherwise = told_otherwise(&mut rng, told.clone());
            assert_eq!(of(otherwise), as_told, "{case}");
        }
    }
}

/// What is on file with states and who stands for which pack, told in another order: the same judgement.
pub fn order_of_the_firms_facts_decides_nothing(player: &Player, seed: u64) {
    let mut rng = StdRng::seed_from_u64(seed);
    let today = today(player);
    let told = player.log.iter().filter(|recorded| recorded.stream == StreamId::Firm);
    // What is ended or stood for has to be there.
    let (mut filed, mut first, mut last) = (Vec::new(), Vec::new(), Vec::new());
    for recorded in told {
        let Event::Firm(event) = &recorded.event else { continue };
        match event {
            FirmEvent::StandingRecorded(_) => filed.push(recorded),
            FirmEvent::StandingEnded(_)
            | FirmEvent::PackConfirmed(_)
            | FirmEvent::PackUsedAtOwnRisk(_) => last.push(recorded),
            _ => first.push(recorded),
        }
    }
    for _ in 0..TELLINGS {
        filed.shuffle(&mut rng);
        last.shuffle(&mut rng);
        let mut state = State::empty(StreamId::Firm);
        for (version, recorded) in (1..).zip([&first, &filed, &last].into_iter().flatten()) {
            state.fold(&Recorded { stream_version: version, ..(*recorded).clone() }).unwrap();
        }
        let State::Firm(firm) = state else { unreachable!("it is the firm") };
        for id in player.cases() {
            let case = player.world.case(id).unwrap();
            of_matter(&player.world, id, case, today, |matter| {
                let otherwise = Judge::of(Matter { firm: &firm, ..matter });
                assert_eq!(judgement(&otherwise), judgement(&Judge::of(matter)), "{id}");
            });
        }
    }
}

/// The same story in another order of telling. Facts of one request stay in the order in which it lists them.
fn told_otherwise(rng: &mut StdRng, told: Vec<Recorded>) -> Vec<Recorded> {
    let mut requests: Vec<Vec<Recorded>> = Vec::new();
    for recorded in told {
        match requests.last_mut() {
            Some(last) if last[0].request_id == recorded.request_id => last.push(recorded),
            _ => requests.push(vec![recorded]),
        }
    }
    // Of two facts of one kind on one day nobody can say which came first: where requests that tell more have one
    // each, or one of them tells no fact besides, they stay as they are.
    let decides = |request: &Vec<Recorded>| request.iter().any(is_no_fact);
    let mut telling: BTreeMap<Told, BTreeSet<(bool, Vec<Told>)>> = BTreeMap::new();
    for request in &requests {
        for fact in facts(request) {
            telling.entry(fact).or_default().insert((decides(request), facts(request)));
        }
    }
    let keeps_its_place = |request: &Vec<Recorded>| {
        decides(request) || facts(request).iter().any(|fact| telling[fact].len() > 1)
    };
    let (kept, mut free): (Vec<_>, Vec<_>) = requests.into_iter().partition(keeps_its_place);
    let as_told = free.clone();
    free.shuffle(rng);
    keep_ties(&mut free, &as_told);
    // The enrolment stays the first.
    let mut places: Vec<bool> = vec![true; kept.len() - 1];
    places.extend(vec![false; free.len()]);
    places.shuffle(rng);
    let (mut kept, mut free) = (kept.into_iter(), free.into_iter());
    let enrolment = kept.next();
    let rest = places.into_iter().map(|is_kept| if is_kept { kept.next() } else { free.next() });
    std::iter::once(enrolment).chain(rest).flatten().flatten().collect()
}

/// A kind of fact, and its day.
type Told = (FactKind, CivilDate);

/// What a request tells, in its order.
fn facts(request: &[Recorded]) -> Vec<Told> {
    let fact = |recorded: &Recorded| {
        let Event::Case(event) = &recorded.event else { return None };
        Some((event.fact()?, recorded.occurred_on))
    };
    request.iter().filter_map(fact).collect()
}

/// Decisions keep their order among themselves, and the enrolment stays the first.
fn is_no_fact(recorded: &Recorded) -> bool {
    let Event::Case(event) = &recorded.event else { return true };
    match event.nature() {
        Nature::Fact(kind) => kind == FactKind::Enrolled,
        Nature::Conclusion => false,
        Nature::Decision | Nature::Record => true,
    }
}

/// Requests that tell the same kinds of facts of the same days are told in the order recorded.
fn keep_ties(free: &mut [Vec<Recorded>], as_told: &[Vec<Recorded>]) {
    let mut in_order: BTreeMap<Vec<Told>, Vec<&Vec<Recorded>>> = BTreeMap::new();
    for request in as_told.iter().rev() {
        in_order.entry(facts(request)).or_default().push(request);
    }
    for request in free {
        let next = in_order.get_mut(&facts(request)).and_then(Vec::pop);
        request.clone_from(next.unwrap());
    }
}

/// One more lawful piece of work exposes no fee, and leaves none unproved.
pub fn more_work_exposes_nothing(player: &Player, seed: u64) {
    let mut rng = StdRng::seed_from_u64(seed);
    let today = today(player);
    let mut tried = 0;
    for case in player.cases() {
        let told = events_of(player, case);
        let state = folded(case, told.clone());
        let days = (today - told[0].occurred_on).num_days();
        let before = judged_of(&player.world, case, &state, today, |judge| {
            (judged_fees(judge), judge.breaches().count())
        });
        for _ in 0..PIECES {
            let on = told[0].occurred_on + chrono::TimeDelta::days(rng.random_range(0..=days));
            let Some(event) = piece_of_work(&mut rng, &state, on) else { continue };
            let last = told.last().unwrap();
            let request_id = RequestId(Uuid::from_u128(rng.random()));
            let recorded = Recorded { event, occurred_on: on, request_id, ..last.clone() };
            let more = folded(case, told.iter().cloned().chain([recorded]));
            let after = judged_of(&player.world, case, &more, today, |judge| {
                (judged_fees(judge), judge.breaches().count())
            });
            // What no agreement allowed that day is a breach, and no lawful piece of work.
            if after.1 > before.1 {
                continue;
            }
            tried += 1;
            for (before, after) in before.0.iter().zip(&after.0) {
                assert!(after.standing <= before.standing, "{case}: {on}: {before:?} {after:?}");
                assert!(after.exposed.minor() <= before.exposed.minor(), "{case}: {on}");
            }
        }
    }
    assert!(tried > 0, "no piece of work was lawful");
}

fn piece_of_work(rng: &mut StdRng, case: &Case, on: CivilDate) -> Option<Event> {
    let completes_before = rng.random_bool(0.3).then_some(true);
    if rng.random_bool(0.5) {
        let report = ProgressReportSent { completes_before, document: None };
        return Some(Event::Case(report.into()));
    }
    let attested = case.listings.iter().find(|(_, listing)| {
        listing.status.may_dispute() && listing.basis_on.is_some_and(|day| day <= on)
    });
    let ((item, bureau), _) = attested?;
    let letter = Letter {
        bureau: bureau.clone(),
        document: None,
        items: vec![item.clone()],
        mail_class: MailClass::Certified,
        tracking: None,
    };
    let round = RoundSent {
        completes_before,
        contact: case.contacts.first()?.mark.at.clone(),
        letters: vec![letter],
        round: u32::try_from(case.rounds.len() + 1).unwrap(),
    };
    Some(Event::Case(round.into()))
}
