//! Money that was told wrongly and corrected, beside the same story told right at first: the books are equal, by
//! account and in total, but for the days on which they were posted.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on stops")]

use std::collections::BTreeMap;

use books::Poster;
use bundle::Request;
use chrono::TimeDelta;
use counterfoil_tests::bookkeeper::Bookkeeper;
use counterfoil_tests::bundles::{bytes, export, python_findings, rust_findings, write_key};
use counterfoil_tests::history::{Crm, Move, Shape};
use counterfoil_tests::player::Player;
use domain::State;
use domain::command::{
    AccountAction, Command, CorrectedBy, Dated, FirmAction, Lower, MoneyBecomes, MoneyCorrection,
    PaymentReceived,
};
use domain::event::{BookAccount, Recorded, StreamId};
use domain::ids::{AccountId, CaseId};
use domain::money::Money;
use domain::value::Personal;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};

/// How many stories are told.
const STORIES: u64 = 60;

/// The moves of a firm's life that were accepted, and the log they made.
fn straight(seed: u64, days: u32) -> (Vec<Move>, Player) {
    let shape = Shape { clients: 10, enrol_days: 30, nonsense_percent: 2 };
    let (mut crm, mut bookkeeper) = (Crm::new(seed, shape), Bookkeeper::new(seed));
    let (mut player, mut moves) = (Player::default(), Vec::new());
    for step in crm.set_up() {
        player.play(&step).unwrap();
        moves.push(step);
    }
    for _ in 0..days {
        // What counsel keeps is named by the position of its claim, which would be another one; and a refund that is
        // asked for waits on what was told wrongly.
        let is_told = |step: &Move| match &step.command {
            Command::KeepFee { .. } => false,
            Command::Account { action, .. } => !matches!(
                action.action,
                AccountAction::RequestRefund(_) | AccountAction::RefundFailed(_)
            ),
            _ => true,
        };
        for step in crm.day().into_iter().filter(is_told) {
            if player.play_and_tell(&mut crm, &step) {
                moves.push(step);
            }
        }
        for step in bookkeeper.day(&player.world, &player.log, crm.today()) {
            if player.play_and_tell(&mut crm, &step) {
                moves.push(step);
            }
        }
    }
    (moves, player)
}

/// Somebody who tells of money wrongly, and puts it right before anything else is told of that account.
struct Clumsy {
    seed: u64,
    rng: StdRng,
    player: Player,
    /// What is to be put right, at which account.
    wrong: Vec<(AccountId, MoneyCorrection)>,
    corrected: BTreeMap<&'static str, u32>,
}

impl Clumsy {
    fn new(seed: u64) -> Self {
        let rng = StdRng::seed_from_u64(seed);
        let player = Player::default();
        Self { seed, rng, player, wrong: Vec::new(), corrected: BTreeMap::new() }
    }

    fn play(&mut self, step: &Move) {
        let about = match &step.command {
            Command::Account { account, .. } => Some(*account),
            _ => None,
        };
        let waits = |(account, _): &(AccountId, MoneyCorrection)| {
            about.is_some_and(|about| about != *account)
        };
        let due: Vec<_> = self.wrong.extract_if(.., |wrong| !waits(wrong)).collect();
        for (account, correction) in due {
            self.corrects(step, account, &correction);
        }
        if self.rng.random_bool(0.4)
            && let Command::Account { account, action } = &step.command
            && let Some((at, wrong, becomes)) = self.mistake(*account, action)
            && !self.wrong.iter().any(|(waiting, _)| *waiting == at)
            && let Ok(events) = self.player.play(&Move {
                now: step.now,
                command: Command::Account { account: at, action: wrong },
            })
        {
            let correction = MoneyCorrection {
                becomes,
                reason: Personal::parse("It was mistyped.").unwrap(),
                said_by: Personal::parse("the bookkeeper").unwrap(),
                told: Box::new(events[0].clone()),
            };
            // A payment that waits at another account is missed at its own.
            if at == *account && self.rng.random_bool(0.5) {
                self.wrong.push((at, correction));
            } else {
                self.corrects(step, at, &correction);
            }
            return;
        }
        let command = match step.command.clone() {
            Command::Firm {
                action: Dated { occurred_on, action: FirmAction::LockPeriod(mut lock), .. },
            } => {
                // The books were checked at another position, and so was what was accepted.
                lock.checked_at = self.player.world.position();
                let firm = self.player.world.firm().unwrap();
                let here = firm.accepted.iter().filter(|known| known.said.through == lock.through);
                let here: Vec<_> = here.map(|known| known.at.clone()).collect();
                lock.accepted = lock.accepted.map(|_| here);
                let action = FirmAction::LockPeriod(lock);
                Command::Firm { action: Dated { occurred_at: None, occurred_on, action } }
            }
            command => command,
        };
        let played = self.player.play(&Move { now: step.now, command });
        assert!(played.is_ok(), "{:?} {:?}", step.command, played.unwrap_err());
    }

    /// A correction is never refused for what was told since.
    fn corrects(&mut self, step: &Move, account: AccountId, correction: &MoneyCorrection) {
        let correction = Box::new(correction.clone());
        let command = Command::CorrectMoney {
            account,
            by: CorrectedBy::Anyone,
            expected_version: None,
            correction,
        };
        let events = self.player.play(&Move { now: step.now, command });
        let events = events.unwrap_or_else(|refusal| panic!("seed {}: {refusal}", self.seed));
        *self.corrected.entry(events[1].event.type_name()).or_default() += 1;
    }

    /// What is told in the stead of an action, at which account, and how it is put right.
    fn mistake(
        &mut self,
        account: AccountId,
        right: &Dated<AccountAction>,
    ) -> Option<(AccountId, Dated<AccountAction>, MoneyBecomes)> {
        let Dated { occurred_on, action, .. } = right;
        let told = |action: AccountAction| {
            let wrong = Dated { occurred_at: None, occurred_on: *occurred_on, action };
            Some((account, wrong, MoneyBecomes::Told(Box::new(right.clone()))))
        };
        let other = |amount: Money| Money::new(amount.minor() / 2 + 1, amount.currency()).unwrap();
        match action {
            AccountAction::ChangeCard(_)
            | AccountAction::RequestCharge { .. }
            | AccountAction::RequestRefund(_)
            | AccountAction::RefundFailed(_) => None,
            AccountAction::PaymentReceived(paid) if self.rng.random_ratio(1, 3) => {
                let at = self.other_account(account)?;
                let action = AccountAction::PaymentReceived(PaymentReceived {
                    invoice: None,
                    ..paid.clone()
                });
                let becomes = MoneyBecomes::MovedTo { account, invoice: paid.invoice };
                Some((at, Dated { occurred_at: None, occurred_on: *occurred_on, action }, becomes))
            }
            _ if self.rng.random_ratio(1, 3) => {
                let days = TimeDelta::days(self.rng.random_range(1..20));
                let wrong = Dated {
                    occurred_at: None,
                    occurred_on: *occurred_on - days,
                    action: action.clone(),
                };
                Some((account, wrong, MoneyBecomes::Told(Box::new(right.clone()))))
            }
            AccountAction::PaymentReceived(paid) => {
                let amount = other(paid.amount);
                told(AccountAction::PaymentReceived(PaymentReceived { amount, ..paid.clone() }))
            }
            AccountAction::Refund(back) => {
                let mut back = back.clone();
                back.amount = other(back.amount);
                told(AccountAction::Refund(back))
            }
            AccountAction::OpenChargeback(back) => {
                let mut back = back.clone();
                back.amount = other(back.amount);
                told(AccountAction::OpenChargeback(back))
            }
            AccountAction::GrantCredit(e) => {
                told(AccountAction::GrantCredit(Lower { amount: other(e.amount), ..e.clone() }))
            }
            AccountAction::WriteOff(e) => {
                told(AccountAction::WriteOff(Lower { amount: other(e.amount), ..e.clone() }))
            }
            AccountAction::ChargeFailed(_)
            | AccountAction::ChargebackWon(_)
            | AccountAction::ChargebackLost(_) => None,
        }
    }

    fn other_account(&mut self, account: AccountId) -> Option<AccountId> {
        let cases = self.player.cases();
        let others: Vec<AccountId> =
            cases.into_iter().map(CaseId::own_account).filter(|id| *id != account).collect();
        (!others.is_empty()).then(|| others[self.rng.random_range(0..others.len())])
    }
}

/// What the books come to, by their account and the client's.
fn sums(log: &[Recorded]) -> BTreeMap<(BookAccount, Option<AccountId>, Option<u64>), i64> {
    let mut firm = State::empty(StreamId::Firm);
    log.iter().filter(|r| r.stream == StreamId::Firm).for_each(|r| firm.apply(r));
    let State::Firm(firm) = firm else { unreachable!("a firm's stream folds into a firm") };
    let mut sums = BTreeMap::new();
    for entry in Poster::new(&firm).entries(|_| None, log).unwrap() {
        for line in entry.lines() {
            *sums.entry((line.account, entry.account, line.invoice)).or_default() +=
                line.amount_minor;
        }
    }
    sums.retain(|_, sum| *sum != 0);
    sums
}

/// A story told with mistakes that were put right, and the same told right at first.
fn told(seed: u64) -> (Clumsy, Player) {
    let (moves, right) = straight(seed, 240);
    let mut clumsy = Clumsy::new(seed);
    for step in &moves {
        clumsy.play(step);
    }
    let last = moves.last().unwrap();
    for (at, correction) in std::mem::take(&mut clumsy.wrong) {
        clumsy.corrects(last, at, &correction);
    }
    (clumsy, right)
}

/// What was told on top of a mistake is taken along by a correction: both verifiers find that it was.
#[test]
fn both_verifiers_find_stories_with_corrections_sound() {
    for seed in [2, 8, 11] {
        let (clumsy, _) = told(seed);
        let folder = tempfile::tempdir().unwrap();
        write_key(folder.path());
        let path = folder.path().join("it.zip");
        std::fs::write(&path, export(&bytes(&clumsy.player.log), Request::All)).unwrap();
        let python = python_findings(folder.path()).remove("it.zip").unwrap();
        let nothing: [Vec<String>; 2] = [vec![], vec![]];
        assert_eq!([rust_findings(&path), python], nothing, "seed {seed}");
    }
}

#[test]
fn books_with_corrections_are_those_of_the_story_told_right_at_first() {
    let mut corrected: BTreeMap<&str, u32> = BTreeMap::new();
    for seed in 0..STORIES {
        let (clumsy, right) = told(seed);
        assert_eq!(sums(&clumsy.player.log), sums(&right.log), "seed {seed}");
        for (kind, count) in clumsy.corrected {
            *corrected.entry(kind).or_default() += count;
        }
    }
    for kind in
        ["payment_settled", "refund_issued", "chargeback_opened", "credit_granted", "written_off"]
    {
        assert!(corrected.get(kind).is_some_and(|count| *count >= 5), "{kind}: {corrected:?}");
    }
}
