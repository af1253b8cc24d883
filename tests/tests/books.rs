//! The books of random histories: each is re-summed from the events and the folded streams alone.
//! Double entry is held against its own definition (debits equal credits, entry by entry), the
//! control accounts against what invoices, payments and bank lines say.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

#[path = "books/posting.rs"]
mod posting;

use std::collections::{BTreeMap, BTreeSet, HashMap};

use books::{Anew, Entry, Poster};
use calendar::CivilDate;
use counterfoil_tests::bookkeeper::Bookkeeper;
use counterfoil_tests::corrector::Corrector;
use counterfoil_tests::history::{Crm, Shape};
use counterfoil_tests::player::Player;
use domain::State;
use domain::account::LineSums;
use domain::event::{
    AutomaticMatches, BookAccount, DepositEvent, Event, FirmEvent, MatchRule, Recorded, StreamId,
};
use domain::firm::Firm;
use domain::money::Money;
use proptest::prelude::*;

/// A firm's life with a bookkeeper in it, and somebody who puts mistakes right.
fn life(seed: u64, days: u32) -> Player {
    let shape = Shape { clients: 10, enrol_days: 30, nonsense_percent: 4 };
    let mut crm = Crm::new(seed, shape);
    let (mut bookkeeper, mut corrector) = (Bookkeeper::new(seed), Corrector::new(seed));
    let mut player = Player::days(&mut crm, 0);
    for _ in 0..days {
        for step in crm.day() {
            player.play_and_tell(&mut crm, &step);
        }
        let mut now = None;
        for step in bookkeeper.day(&player.world, &player.log, crm.today()) {
            now = Some(step.now);
            player.play_and_tell(&mut crm, &step);
        }
        if let Some(correction) = now.and_then(|now| corrector.step(&player.log, now)) {
            player.play_and_tell(&mut crm, &correction);
        }
    }
    player
}

fn firm_of(log: &[Recorded]) -> Firm {
    let mut state = State::empty(StreamId::Firm);
    log.iter().filter(|r| r.stream == StreamId::Firm).for_each(|r| state.apply(r));
    let State::Firm(firm) = state else { unreachable!() };
    std::sync::Arc::unwrap_or_clone(firm)
}

fn whole(log: &[Recorded]) -> Vec<Entry> {
    Poster::new(&firm_of(log)).entries(|_| None, log).unwrap()
}

/// The same entries, made page by page as a projector does.
fn paged(log: &[Recorded], page: usize) -> Vec<Entry> {
    let mut states: HashMap<StreamId, State> = HashMap::new();
    let mut entries = Vec::new();
    for (at, events) in log.chunks(page).enumerate() {
        let end = (at * page + events.len()).min(log.len());
        let firm = firm_of(&log[..end]);
        entries.extend(Poster::new(&firm).entries(|stream| states.get(&stream), events).unwrap());
        for recorded in events {
            states
                .entry(recorded.stream)
                .or_insert_with(|| State::empty(recorded.stream))
                .apply(recorded);
        }
    }
    entries
}

#[derive(Default)]
struct Sums(BTreeMap<BookAccount, i64>);

impl Sums {
    fn take(&mut self, entry: &Entry) {
        for line in entry.lines() {
            *self.0.entry(line.account).or_default() += line.amount_minor;
        }
    }

    fn of(&self, account: BookAccount) -> i64 {
        self.0.get(&account).copied().unwrap_or(0)
    }
}

/// What the folded streams say that the control accounts should be.
#[derive(Debug, Default, PartialEq, Eq)]
struct Controls {
    receivable: i64,
    clearing: i64,
    owed: i64,
    bank: i64,
    suspense: i64,
    /// Fees, less what was credited and given back: what nothing allowed is none.
    earned: i64,
    /// What was written off: of what nothing allowed, nothing.
    lost: i64,
}

fn controls(states: &HashMap<StreamId, State>) -> Controls {
    let mut found = Controls::default();
    for state in states.values() {
        match state {
            State::Account(account) => {
                found.receivable += account.open_minor();
                found.owed -= account.unearned_minor();
                let undeposited =
                    account.movements().filter(|(_, movement)| movement.deposited.is_none());
                found.clearing += undeposited.map(|(_, m)| m.amount.minor()).sum::<i64>();
                for back in account.money_back.values().filter(|back| back.won.is_none()) {
                    found.lost += back.beyond.minor();
                }
                for invoice in account.invoices.values() {
                    found.earned += invoice.credited.minor();
                    found.lost += invoice.written_off.minor();
                    let of_lines = |of: fn(&LineSums) -> Money| {
                        invoice.sums.iter().map(|line| of(line).minor()).sum::<i64>()
                    };
                    assert_eq!(of_lines(|line| line.paid), invoice.paid.minor(), "{invoice:?}");
                    assert_eq!(of_lines(|line| line.credited), invoice.credited.minor());
                    assert_eq!(of_lines(|line| line.written_off), invoice.written_off.minor());
                }
            }
            State::Deposit(deposit) => {
                let Some(line) = &deposit.line else { continue };
                found.bank += line.seen.amount.minor();
                if deposit.is_open() {
                    found.suspense -= line.seen.amount.minor();
                }
            }
            // What nothing allowed of a fee is neither receivable nor the firm's.
            State::Case(case) => {
                found.earned -= case.earned.iter().map(|fee| fee.amount.minor()).sum::<i64>();
                for marked in case.marks.values() {
                    let lost = marked
                        .said
                        .lost
                        .map_or(0, |loss| loss.bad_debt.minor() + loss.charged_back.minor());
                    found.lost -= lost;
                    found.earned += lost + marked.said.open.minor() + marked.said.owed.minor();
                    found.receivable -= marked.said.open.minor();
                    found.owed -= marked.said.owed.minor();
                }
            }
            State::Firm(firm) => {
                let declared = firm.banks.values().map(|of| of.declared.opening.minor());
                found.bank += declared.sum::<i64>();
            }
            State::Looks(_) => {}
        }
    }
    found
}

/// The events one request recorded: books are looked at between requests, not inside one.
fn requests(log: &[Recorded]) -> Vec<&[Recorded]> {
    log.chunk_by(|a, b| a.request_id == b.request_id).collect()
}

fn every_promise(log: &[Recorded]) {
    let entries = whole(log);
    let mut by_position: BTreeMap<u64, Vec<&Entry>> = BTreeMap::new();
    for entry in &entries {
        let lines = entry.lines();
        assert!(lines.len() >= 2, "{entry:?}");
        assert_eq!(lines.iter().map(|line| line.amount_minor).sum::<i64>(), 0, "{entry:?}");
        by_position.entry(entry.position).or_default().push(entry);
    }
    for of_event in by_position.values() {
        let days: BTreeSet<_> = of_event.iter().map(|entry| entry.posted_on).collect();
        assert_eq!(days.len(), of_event.len(), "one entry an event and a day: {of_event:?}");
        let mut next = 1;
        for entry in of_event {
            assert_eq!(entry.first_line, next, "its lines are counted through");
            next += u32::try_from(entry.lines().len()).unwrap();
            assert!(of_event.len() == 1 || entry.kind == "money_restated", "{entry:?}");
        }
    }
    // As of any request the control accounts are what the streams say, and every day balances.
    let mut states: HashMap<StreamId, State> = HashMap::new();
    let mut sums = Sums::default();
    for request in requests(log) {
        for recorded in request {
            states
                .entry(recorded.stream)
                .or_insert_with(|| State::empty(recorded.stream))
                .apply(recorded);
            let of_event = by_position.get(&recorded.position).into_iter().flatten();
            of_event.for_each(|entry| sums.take(entry));
        }
        let booked = Controls {
            receivable: sums.of(BookAccount::Receivable),
            clearing: sums.of(BookAccount::Clearing),
            owed: sums.of(BookAccount::OwedToClients),
            bank: sums.of(BookAccount::Bank),
            suspense: sums.of(BookAccount::Suspense),
            earned: sums.of(BookAccount::FeeRevenue) + sums.of(BookAccount::RefundsAndCredits),
            lost: sums.of(BookAccount::BadDebt) + sums.of(BookAccount::ChargebackLosses),
        };
        assert_eq!(
            booked,
            controls(&states),
            "after position {}",
            request.last().unwrap().position
        );
        assert_eq!(sums.of(BookAccount::Unbilled), 0, "what is earned is invoiced with it");
        assert_eq!(sums.0.values().sum::<i64>(), 0);
    }
    let mut days: BTreeMap<_, i64> = BTreeMap::new();
    for entry in &entries {
        *days.entry(entry.posted_on).or_default() +=
            entry.lines().iter().map(|line| line.amount_minor).sum::<i64>();
    }
    assert!(days.values().all(|sum| *sum == 0), "every day's entries balance");
    closed_months_stay_closed(log, &entries);
    no_person_is_passed_over(log);
}

/// What was matched without a person was matched under the policy in force, named by its lines, and no
/// person had said no to any of them. Says how many that were.
fn no_person_is_passed_over(log: &[Recorded]) -> u32 {
    let (mut policy, mut automatic) = (None, 0);
    let mut doubted: BTreeSet<StreamId> = BTreeSet::new();
    for recorded in log {
        match &recorded.event {
            Event::Firm(FirmEvent::MatchPolicySet(set)) => {
                let certain = set.automatic == AutomaticMatches::Certain;
                policy = certain.then_some(recorded.event_id);
            }
            Event::Deposit(DepositEvent::MatchRefused(_) | DepositEvent::MatchReversed(_)) => {
                doubted.insert(recorded.stream);
            }
            Event::Deposit(DepositEvent::DepositMatched(matched)) if matched.policy.is_some() => {
                assert_eq!((matched.policy, matched.rule), (policy, MatchRule::Reference));
                let joined = matched.joined.iter().map(|id| StreamId::Deposit(*id));
                for line in joined.chain([recorded.stream]) {
                    assert!(!doubted.contains(&line), "{recorded:?}");
                }
                automatic += 1;
            }
            _ => {}
        }
    }
    automatic
}

/// What is told after a month was closed and belongs into it counts on the first day that is open, and says where it
/// belongs; all else counts on its own day.
fn closed_months_stay_closed(log: &[Recorded], entries: &[Entry]) {
    let mut locked = None;
    let mut entries = entries.iter().peekable();
    for recorded in log {
        while let Some(entry) = entries.next_if(|entry| entry.position == recorded.position) {
            let first_open = locked.and_then(|through: CivilDate| through.succ_opt());
            let first_open = first_open.unwrap_or(entry.occurred_on);
            assert_eq!(entry.posted_on, entry.occurred_on.max(first_open), "{entry:?}");
        }
        if let Event::Firm(FirmEvent::PeriodLocked(lock)) = &recorded.event {
            locked = Some(lock.through);
        }
    }
    assert!(entries.next().is_none());
}

/// The books as of a position are those of the log cut there; pages of any size make the same.
fn the_same_however_made(log: &[Recorded], page: usize) {
    let entries = whole(log);
    assert_eq!(paged(log, page), entries, "pages of {page}");
    let cut = log.len() * 2 / 3;
    let before: Vec<Entry> =
        entries.into_iter().filter(|e| e.position <= u64::try_from(cut).unwrap()).collect();
    assert_eq!(whole(&log[..cut]), before);
}

#[test]
fn every_cent_between_a_statement_and_the_ledger_is_an_item() {
    let (mut with_statement, mut kinds) = (0, BTreeSet::new());
    for seed in 0..3 {
        let log = life(seed, 300).log;
        let entries = whole(&log);
        let firm = firm_of(&log);
        let last = log.iter().map(|recorded| recorded.occurred_on).max().unwrap();
        for months in 0..9 {
            let through = last - chrono::Days::new(30 * months);
            let mut anew = Anew::new(&firm, through);
            anew.take(&log).unwrap();
            let (_, _, found) = anew.figures();
            let on_that_day = |account: BookAccount| {
                let entries = entries.iter().filter(|entry| entry.posted_on <= through);
                let lines = entries.flat_map(Entry::lines).filter(|line| line.account == account);
                lines.map(|line| line.amount_minor).sum::<i64>()
            };
            let in_transit: i64 = found.in_transit.iter().map(|of| of.minor).sum();
            assert_eq!(on_that_day(BookAccount::Clearing), in_transit);
            let open = found.banks.iter().flat_map(|bank| &bank.unexplained).map(|line| line.minor);
            assert_eq!(-on_that_day(BookAccount::Suspense), open.sum::<i64>());
            let ledger = found.banks.iter().map(|bank| bank.ledger_minor).sum::<i64>();
            assert_eq!(on_that_day(BookAccount::Bank), ledger);
            for line in found.banks.iter().flat_map(|bank| &bank.unexplained) {
                let stream = StreamId::Deposit(line.deposit);
                let seen = log.iter().find_map(|told| match &told.event {
                    Event::Deposit(DepositEvent::StatementLineSeen(seen))
                        if told.stream == stream =>
                    {
                        Some(seen.amount.minor())
                    }
                    _ => None,
                });
                assert_eq!(Some(line.minor), seen, "a line is open by what it brought: {line:?}");
            }
            for bank in &found.banks {
                kinds.extend(bank.items.iter().map(|item| item.kind));
                let Some(statement) = bank.statement else { continue };
                with_statement += 1;
                let items: i64 = bank.items.iter().map(|item| item.minor).sum();
                assert_eq!(statement.minor - bank.ledger_minor, items, "{bank:?}");
            }
        }
    }
    assert!(with_statement > 30 && kinds.len() > 5, "{with_statement}, {kinds:?}");
}

#[test]
fn the_books_of_fixed_lives_keep_every_promise() {
    let (mut kinds, mut late, mut automatic) = (BTreeMap::<&str, u32>::new(), 0, 0);
    for seed in 0..22 {
        let player = life(seed, 300);
        every_promise(&player.log);
        the_same_however_made(&player.log, 97);
        automatic += no_person_is_passed_over(&player.log);
        for entry in whole(&player.log) {
            *kinds.entry(entry.kind).or_default() += 1;
            let lines = entry.lines();
            let has = |account| lines.iter().any(|line| line.account == account);
            if entry.kind == "fee_marked" && has(BookAccount::BadDebt) {
                *kinds.entry("marked of what was written off").or_default() += 1;
            }
            late += u32::from(entry.posted_on != entry.occurred_on);
        }
        for recorded in &player.log {
            let kind = recorded.event.type_name();
            let quiet = ["match_joined", "match_refused", "match_policy_set", "statement_seen"];
            let taken_back =
                ["statement_taken_back", "payout_taken_back", "close_acceptance_withdrawn"];
            if quiet.contains(&kind) || taken_back.contains(&kind) {
                *kinds.entry(kind).or_default() += 1;
            }
        }
    }
    // The lives reach what they are meant to test.
    for kind in [
        "fee_earned",
        "invoice_issued",
        "payment_settled",
        "refund_issued",
        "chargeback_opened",
        "chargeback_won",
        "credit_granted",
        "written_off",
        "money_corrected",
        "fee_marked",
        "marked of what was written off",
        "statement_line_seen",
        "deposit_matched",
        "match_joined",
        "match_policy_set",
        "match_refused",
        "match_reversed",
        "line_booked",
        "booking_reversed",
        "bank_account_declared",
        "bank_account_taken_back",
        "statement_seen",
        "statement_taken_back",
        "line_taken_back",
        "payout_taken_back",
        "close_acceptance_withdrawn",
    ] {
        // Fees that nothing allows are few, and those of them that were given up before are fewer.
        let rare = ["marked of what was written off", "close_acceptance_withdrawn"];
        let least = if rare.contains(&kind) { 1 } else { 3 };
        assert!(kinds.get(kind).is_some_and(|n| *n >= least), "{kind}: {kinds:?}");
    }
    assert!(automatic > 20, "{automatic} deposits were matched without a person");
    assert!(late > 20, "{late} entries landed after their month was closed");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    #[test]
    fn the_books_of_any_life_keep_every_promise(seed in any::<u64>(), page in 1_usize..400) {
        let player = life(seed, 160);
        every_promise(&player.log);
        the_same_however_made(&player.log, page);
    }
}
