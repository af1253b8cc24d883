//! A firm's random bookkeeper: reads bank lines and payouts, matches them, errs and takes it back,
//! renames accounts, closes months. It sees what a bookkeeper sees: accounts and deposits, folded.

use std::collections::BTreeSet;

use calendar::{CivilDate, Datelike as _};
use domain::command::{
    BankAction, BookLine, Command, Dated, FirmAction, LineNoted, Match, PayoutNoted,
    StatementNoted, TakeBack,
};
use domain::deposit::{Line, Statement};
use domain::event::{
    AccountMovement, AutomaticMatches, BankAccountDeclared, BookAccount, ChartAccount,
    ChartRevised, CloseAccepted, CloseRule, MatchPolicySet, MatchRefused, MatchRule, PayoutLine,
    PeriodLocked, Purpose, Recorded, StatementLineSeen, StatementSeen, StatementSource, StreamId,
    UtcMicros,
};
use domain::ids::{
    AccountId, AccountNumber, BankCode, BankReference, DepositId, DocumentHash, ProcessorRef,
};
use domain::money::{Currency, Money};
use domain::{State, World};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use sha2::{Digest as _, Sha256};

use crate::history::{Move, text, usd, zone};

/// The bookkeeper.
pub struct Bookkeeper {
    rng: StdRng,
    /// For what it tells of accounts at banks, apart, so that the rest stays as it was.
    of_banks: StdRng,
    names: u64,
    /// Events of the log that were looked at.
    seen: usize,
    /// The accounts and deposits in them.
    streams: BTreeSet<StreamId>,
}

/// The firm's accounts at banks.
const BANKS: [&str; 2] = ["operating", "savings"];

/// Open lines; a matched one and the movements behind it; booked ones.
type Lines = (Vec<DepositId>, Option<(DepositId, Vec<AccountMovement>)>, Vec<DepositId>);

/// A movement that stands behind nothing yet.
type Free = (AccountMovement, Money);

impl Bookkeeper {
    /// One whose errors follow from a seed.
    pub fn new(seed: u64) -> Self {
        let rng = StdRng::seed_from_u64(seed ^ 0xb00c);
        let of_banks = StdRng::seed_from_u64(seed ^ 0xba2c);
        Self { rng, of_banks, names: 0, seen: 0, streams: BTreeSet::new() }
    }

    /// What it does on a day, given the world as it stands.
    pub fn day(&mut self, world: &World, log: &[Recorded], today: CivilDate) -> Vec<Move> {
        let mut commands = self.declare(world, today);
        self.streams.extend(log[self.seen..].iter().map(|recorded| recorded.stream));
        self.seen = log.len();
        let free = free_movements(world, &self.streams);
        let (open, matched, booked) = lines(world, &self.streams);
        if free.len() >= 3 && self.rng.random_ratio(1, 4) {
            commands.extend(self.payout(&free, today));
        }
        if self.rng.random_ratio(1, 15) {
            let amount = usd(self.rng.random_range(-9_000..9_000) * 2 + 1);
            commands.push(self.line(amount, today, None).1);
        }
        if let Some(line) = open.last().filter(|_| self.rng.random_ratio(1, 12)) {
            // Says the same no again, now and then.
            let some = free.iter().take(self.rng.random_range(0..3));
            let movements = some.map(|(of, _)| of.movement.clone()).collect();
            let refused = MatchRefused { joined: Vec::new(), movements, payout: None };
            commands.push(bank(BankAction::RefuseMatch { deposit: *line, refused }));
        }
        if let Some(line) = open.first().filter(|_| self.rng.random_ratio(1, 10)) {
            let purpose = Purpose::ALL[self.rng.random_range(0..Purpose::ALL.len())];
            let note = Some(text("Of the month"));
            commands.push(bank(BankAction::BookLine(BookLine { deposit: *line, note, purpose })));
        }
        if let Some((deposit, movements)) = matched.filter(|_| self.rng.random_ratio(1, 20)) {
            commands.push(bank(BankAction::ReverseMatch { deposit, movements }));
        }
        if let Some(line) = booked.last().filter(|_| self.rng.random_ratio(1, 15)) {
            commands.push(bank(BankAction::ReverseBooking { deposit: *line }));
        }
        if self.rng.random_ratio(1, 25) {
            commands.push(self.office(world, today));
        }
        commands.extend(self.at_the_bank(world, today));
        let now = UtcMicros(zone().start_of_day(today) + 12 * 3_600_000_000);
        commands.into_iter().map(|command| Move { now, command }).collect()
    }

    /// A payout of some movements, the bank line it makes (sometimes two), and mostly its match.
    fn payout(&mut self, free: &[Free], today: CivilDate) -> Vec<Command> {
        let some = free.iter().filter(|_| self.rng.random_ratio(2, 3)).cloned();
        let chosen: Vec<Free> = some.take(40).collect();
        let gross: i64 = chosen.iter().map(|(_, amount)| amount.minor()).sum();
        if gross <= 500 {
            return Vec::new();
        }
        let costs = gross * 29 / 1_000;
        self.names += 1;
        let payout = ProcessorRef::parse(&format!("po-{}", self.names)).expect("a code");
        let named = self.rng.random_ratio(1, 2);
        let costs = if named || self.rng.random_ratio(1, 2) { costs } else { 0 };
        let net = gross - costs;
        let mut commands = Vec::new();
        if named {
            let lines = chosen
                .iter()
                .map(|(of, amount)| PayoutLine { amount: *amount, movement: of.movement.clone() });
            commands.push(bank(BankAction::NotePayout(PayoutNoted {
                instead_because: None,
                lines: lines.collect(),
                net: usd(net),
                paid_on: today,
                payout: payout.clone(),
            })));
        }
        let pieces =
            if self.rng.random_ratio(1, 6) { vec![net / 3, net - net / 3] } else { vec![net] };
        let mut ids = Vec::new();
        for piece in pieces {
            let names = self.rng.random_ratio(2, 3).then_some(payout.as_str());
            let (id, command) = self.line(usd(piece), today, names);
            ids.push(id);
            commands.push(command);
        }
        if self.rng.random_ratio(5, 6) {
            let cent_off = i64::from(self.rng.random_ratio(1, 20));
            commands.push(bank(BankAction::Match(Match {
                automatic: named && self.rng.random_ratio(1, 2),
                costs: usd(costs + cent_off),
                deposit: ids[0],
                joined: ids[1..].to_vec(),
                movements: chosen.into_iter().map(|(of, _)| of).collect(),
                payout: named.then(|| DepositId::of_payout(&payout)),
                rule: if named { MatchRule::Reference } else { MatchRule::Person },
            })));
        }
        commands
    }

    fn line(
        &mut self,
        amount: Money,
        today: CivilDate,
        names: Option<&str>,
    ) -> (DepositId, Command) {
        self.names += 1;
        let hash = Sha256::digest(self.names.to_be_bytes()).into();
        let code = BANKS[usize::from(self.of_banks.random_ratio(1, 4))];
        let (line, bank_code) = (DocumentHash(hash), BankCode::parse(code).expect("a code"));
        let id = DepositId::of_line(&bank_code, &line);
        let reference = names.map_or_else(|| format!("ref-{}", self.names), ToOwned::to_owned);
        let reference = BankReference::parse(&reference).expect("a code");
        let seen = StatementLineSeen {
            amount,
            bank: bank_code,
            line,
            references: vec![reference],
            return_reason: None,
            value_on: None,
        };
        let booked_on = today - chrono::Days::new(self.rng.random_range(0..4));
        (id, bank(BankAction::NoteLines(vec![LineNoted { booked_on, seen }])))
    }

    /// Declares each account at the bank before anything else, and now and then anew.
    fn declare(&mut self, world: &World, today: CivilDate) -> Vec<Command> {
        let firm = world.firm().expect("a firm");
        let mut commands = Vec::new();
        for (at, code) in BANKS.into_iter().enumerate() {
            let code = BankCode::parse(code).expect("a code");
            let known = firm.banks.get(&code);
            let opened_on = known.map_or(today - chrono::Days::new(20), |known| known.opened_on);
            if known.is_some() && !self.of_banks.random_ratio(1, 120) {
                continue;
            }
            let back = self.of_banks.random_range(0..6);
            let opening = [100_000, -2_500][at] + self.of_banks.random_range(0..500);
            let action = FirmAction::DeclareBankAccount(BankAccountDeclared {
                bank: code,
                closed_on: None,
                last_four: Some(text("4821")),
                ledger_account: None,
                name: text("An account"),
                opening: usd(opening),
            });
            let occurred_on = opened_on - chrono::Days::new(back);
            let action = Dated { occurred_at: None, occurred_on, action };
            commands.push(Command::Firm { action });
        }
        commands
    }

    /// Statements, some of them with gaps, overlaps or another opening balance, and what is taken back.
    fn at_the_bank(&mut self, world: &World, today: CivilDate) -> Vec<Command> {
        let known = known(world, &self.streams);
        let mut commands = Vec::new();
        for code in BANKS {
            if !self.of_banks.random_ratio(1, 9) {
                continue;
            }
            let code = BankCode::parse(code).expect("a code");
            let days = |rng: &mut StdRng, most| chrono::Days::new(rng.random_range(0..most));
            let through = today - days(&mut self.of_banks, 4);
            let last = known.statements.iter().filter(|of| of.seen.bank == code);
            let last = last.max_by_key(|of| of.mark.on);
            let goes_on = self.of_banks.random_ratio(4, 5);
            let from = match last.filter(|of| goes_on && of.mark.on < through) {
                Some(last) => last.mark.on + chrono::Days::new(1),
                None => through - days(&mut self.of_banks, 40),
            };
            let of_bank = known.lines.iter().filter(|(_, line)| line.seen.bank == code);
            let on = |line: &Line| line.mark.on;
            let mut lines: Vec<_> = of_bank
                .clone()
                .filter(|(_, line)| from <= on(line) && on(line) <= through)
                .map(|(id, line)| (*id, line.seen.amount.minor()))
                .collect();
            if self.of_banks.random_ratio(1, 6) {
                lines.pop();
            }
            let before: i64 = of_bank
                .filter(|(_, line)| on(line) < from)
                .map(|(_, line)| line.seen.amount.minor())
                .sum();
            let declared = world.firm().expect("a firm").banks.get(&code);
            let declared = declared.map_or(0, |of| of.declared.opening.minor());
            let cent_off = i64::from(self.of_banks.random_ratio(1, 6));
            let opening = declared + before + cent_off;
            self.names += 1;
            let file = DocumentHash(Sha256::digest(self.names.to_be_bytes()).into());
            let sum: i64 = lines.iter().map(|(_, minor)| minor).sum();
            let seen = StatementSeen {
                bank: code,
                closing: usd(opening + sum),
                file,
                from,
                lines: 0,
                opening: usd(opening),
                part: 1,
                source: StatementSource::Csv,
            };
            let lines = lines.into_iter().map(|(id, _)| id).collect();
            commands.push(bank(BankAction::NoteStatement(StatementNoted { seen, through, lines })));
        }
        let take_back = |deposit, lines| {
            let reason = Some(text("Another account's file"));
            bank(BankAction::TakeBack(TakeBack { deposit, lines, reason }))
        };
        if let Some(of) = known.statements.last().filter(|_| self.of_banks.random_ratio(1, 60)) {
            let seen = &of.seen;
            let id = DepositId::of_statement(&seen.bank, &seen.file, seen.part);
            let open = of.lines.iter().map(|line| line.line).filter(|id| known.open.contains(id));
            commands.push(take_back(id, open.collect()));
        }
        if let Some(id) = known.open.first().filter(|_| self.of_banks.random_ratio(1, 40)) {
            commands.push(take_back(*id, Vec::new()));
        }
        if let Some(id) = known.payouts.last().filter(|_| self.of_banks.random_ratio(1, 60)) {
            commands.push(take_back(*id, Vec::new()));
        }
        commands
    }

    /// Decides what is automatic, renames an account or closes the month before.
    fn office(&mut self, world: &World, today: CivilDate) -> Command {
        let action = match self.rng.random_range(0..9) {
            0..3 => {
                let nothing = self.rng.random_ratio(1, 4);
                let automatic =
                    if nothing { AutomaticMatches::Nothing } else { AutomaticMatches::Certain };
                FirmAction::SetMatchPolicy(MatchPolicySet { automatic })
            }
            3..5 => {
                self.names += 1;
                let account = BookAccount::ALL[self.rng.random_range(0..BookAccount::ALL.len())];
                FirmAction::ReviseChart(ChartRevised {
                    accounts: vec![ChartAccount {
                        account,
                        accountant_code: None,
                        name: text("Renamed"),
                        number: AccountNumber::parse(&format!("7{}", self.names)).expect("a code"),
                    }],
                })
            }
            _ => {
                let first = today.with_day(1).expect("a first");
                let through = first.pred_opt().expect("a day before");
                let firm = world.firm().expect("a firm");
                let of_month = firm.accepted.iter().filter(|known| known.said.through == through);
                let rule = of_month.clone().next().map(|known| known.said.rule);
                let accepted: Vec<_> = of_month.map(|known| known.at.clone()).collect();
                if let Some(rule) = rule.filter(|_| self.of_banks.random_ratio(1, 2)) {
                    let reason = text("They were paid out after all.");
                    FirmAction::WithdrawAcceptance { reason, rule, through }
                } else if accepted.is_empty() && self.rng.random_ratio(1, 3) {
                    FirmAction::AcceptForClose(CloseAccepted {
                        amount: Money::new(-4_210, Currency::USD).expect("an amount"),
                        count: 2,
                        items: DocumentHash([7; 32]),
                        reason: text("The processor pays these out next week."),
                        rule: CloseRule::ALL[self.rng.random_range(0..CloseRule::ALL.len())],
                        through,
                    })
                } else {
                    let accepted = Some(accepted).filter(|accepted| !accepted.is_empty());
                    let checked_at = world.position();
                    let first_open = Some(true);
                    FirmAction::LockPeriod(PeriodLocked {
                        accepted,
                        checked_at,
                        first_open,
                        through,
                    })
                }
            }
        };
        Command::Firm { action: Dated { occurred_at: None, occurred_on: today, action } }
    }
}

const fn bank(action: BankAction) -> Command {
    Command::Bank(action)
}

/// Every movement, with the account it belongs to and the deposit it stands behind.
fn movements<'a>(
    world: &'a World,
    streams: &'a BTreeSet<StreamId>,
) -> impl Iterator<Item = (AccountMovement, Money, Option<DepositId>)> + 'a {
    let of = |stream: &StreamId| match (*stream, world.state(*stream)) {
        (StreamId::Account(id), Some(State::Account(account))) => {
            account.movements().map(|(m, found)| (id, m, found)).collect()
        }
        _ => Vec::new(),
    };
    streams.iter().flat_map(of).map(|(account, movement, found): (AccountId, _, _)| {
        (AccountMovement { account, movement }, found.amount, found.deposited)
    })
}

fn free_movements(world: &World, streams: &BTreeSet<StreamId>) -> Vec<Free> {
    let free = movements(world, streams).filter(|(_, _, deposit)| deposit.is_none());
    free.map(|(movement, amount, _)| (movement, amount)).collect()
}

/// What is known of accounts at banks.
#[derive(Default)]
struct Known<'w> {
    lines: Vec<(DepositId, &'w Line)>,
    open: Vec<DepositId>,
    statements: Vec<&'w Statement>,
    /// Payouts that no match names.
    payouts: Vec<DepositId>,
}

fn known<'w>(world: &'w World, streams: &BTreeSet<StreamId>) -> Known<'w> {
    let (mut known, mut arrived) = (Known::default(), BTreeSet::new());
    for stream in streams {
        let (StreamId::Deposit(id), Some(State::Deposit(deposit))) = (stream, world.state(*stream))
        else {
            continue;
        };
        known.lines.extend(deposit.line.as_ref().map(|line| (*id, line)));
        known.open.extend(deposit.is_open().then_some(*id));
        known.statements.extend(deposit.statement.as_ref());
        known.payouts.extend(deposit.payout.as_ref().map(|_| *id));
        arrived.extend(deposit.matched.as_ref().and_then(|of| of.matched.payout));
    }
    known.payouts.retain(|id| !arrived.contains(id));
    known
}

/// Open lines, the last matched line with what stands behind it, and booked lines.
fn lines(world: &World, streams: &BTreeSet<StreamId>) -> Lines {
    let (mut open, mut matched, mut booked) = (Vec::new(), None, Vec::new());
    for stream in streams {
        let (StreamId::Deposit(id), Some(State::Deposit(deposit))) = (stream, world.state(*stream))
        else {
            continue;
        };
        if deposit.is_open() {
            open.push(*id);
        }
        if deposit.matched.is_some() {
            matched = Some(*id);
        }
        if deposit.booked.is_some() {
            booked.push(*id);
        }
    }
    let matched = matched.map(|id| {
        let behind = movements(world, streams).filter(|(_, _, deposit)| *deposit == Some(id));
        (id, behind.map(|(movement, ..)| movement).collect())
    });
    (open, matched, booked)
}
