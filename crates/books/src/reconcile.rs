//! Making the reconciliation of accounts at banks from the entries and the folded streams.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use calendar::CivilDate;
use domain::account::Account;
use domain::deposit::Deposit;
use domain::event::{BookAccount, Movement, MovementKind};
use domain::firm::Firm;
use domain::ids::{AccountId, BankCode, DepositId, EventId, ProcessorRef};

use crate::entry::Entry;
use crate::reconciled::{BankReconciled, InTransit, Reconciled, UnexplainedLine};
use crate::walk::{Lines, Walk, statements_of};

/// What entries made of one deposit by the end of the day.
#[derive(Clone, Copy, Debug, Default)]
struct Posted {
    bank: i64,
    suspense: i64,
    clearing: i64,
    /// Matches less those that were taken back.
    matches: i64,
}

/// A movement of an account.
type Moved = (AccountId, Movement);

/// Takes entries in as they are made.
#[derive(Debug)]
pub(crate) struct Reconciler {
    through: CivilDate,
    deposits: HashMap<DepositId, Posted>,
    openings: BTreeMap<String, i64>,
    /// What entries of a movement made of clearing.
    movements: HashMap<Moved, i64>,
    /// The movement of each entry, which a correction takes back.
    entries: HashMap<EventId, Moved>,
    clearing_minor: i64,
    /// The account and the day of every line ever recorded, though it was taken back.
    seen: HashMap<DepositId, (BankCode, CivilDate)>,
    /// The pieces that each match named, by its event.
    pieces: HashMap<EventId, Vec<DepositId>>,
    /// The line whose match a piece is of, by the end of the day.
    joined: HashMap<DepositId, DepositId>,
}

impl Reconciler {
    pub(crate) fn new(through: CivilDate) -> Self {
        Self {
            through,
            deposits: HashMap::new(),
            openings: BTreeMap::new(),
            movements: HashMap::new(),
            entries: HashMap::new(),
            clearing_minor: 0,
            seen: HashMap::new(),
            pieces: HashMap::new(),
            joined: HashMap::new(),
        }
    }

    /// Notes of which lines a match is, before its entry is taken in.
    pub(crate) fn match_of(&mut self, event: EventId, pieces: &[DepositId]) {
        if !pieces.is_empty() {
            self.pieces.insert(event, pieces.to_vec());
        }
    }

    /// Notes a line as it is recorded.
    pub(crate) fn see(&mut self, id: DepositId, bank: &BankCode, on: CivilDate) {
        self.seen.insert(id, (bank.clone(), on));
    }

    pub(crate) fn post(&mut self, entry: &Entry) {
        let moved = self.moved_by(entry);
        if let Some(moved) = &moved {
            self.entries.insert(entry.event_id, moved.clone());
        }
        if entry.posted_on > self.through {
            return;
        }
        let mut posted = Posted::default();
        for line in entry.lines() {
            match line.account {
                BookAccount::Bank => posted.bank += line.amount_minor,
                BookAccount::Suspense => posted.suspense += line.amount_minor,
                BookAccount::Clearing => posted.clearing += line.amount_minor,
                BookAccount::Receivable
                | BookAccount::Unbilled
                | BookAccount::OwedToClients
                | BookAccount::Elsewhere
                | BookAccount::FeeRevenue
                | BookAccount::RefundsAndCredits
                | BookAccount::ProcessorCosts
                | BookAccount::BankCosts
                | BookAccount::ChargebackLosses
                | BookAccount::BadDebt => {}
            }
        }
        self.clearing_minor += posted.clearing;
        if let Some(id) = entry.deposit {
            let sums = self.deposits.entry(id).or_default();
            sums.bank += posted.bank;
            sums.suspense += posted.suspense;
            sums.clearing += posted.clearing;
            sums.matches += match entry.kind {
                "deposit_matched" => 1,
                "match_reversed" => -1,
                _ => 0,
            };
            let of_match = match entry.kind {
                "deposit_matched" => Some(entry.event_id),
                "match_reversed" => entry.reverses,
                _ => None,
            };
            for piece in of_match.and_then(|event| self.pieces.get(&event)).into_iter().flatten() {
                if entry.reverses.is_some() {
                    self.joined.remove(piece);
                } else {
                    self.joined.insert(*piece, id);
                }
            }
        } else if let Some(moved) = moved {
            *self.movements.entry(moved).or_default() += posted.clearing;
        } else if let (None, Some(bank)) = (entry.account, &entry.reference) {
            *self.openings.entry(bank.clone()).or_default() += posted.bank;
        }
    }

    /// The movement that an entry of an account is about.
    fn moved_by(&self, entry: &Entry) -> Option<Moved> {
        let kind = match entry.kind {
            "payment_settled" => MovementKind::Payment,
            "refund_issued" => MovementKind::Refund,
            "chargeback_opened" => MovementKind::Chargeback,
            "chargeback_won" => MovementKind::ChargebackWon,
            "money_corrected" => return self.entries.get(&entry.reverses?).cloned(),
            _ => return None,
        };
        let name = ProcessorRef::parse(entry.reference.as_ref()?).ok()?;
        Some((entry.account?, Movement { kind, name }))
    }

    /// The reconciliation, after the last event.
    pub(crate) fn finish(
        self,
        firm: &Firm,
        accounts: &[(AccountId, &Account)],
        deposits: &HashMap<DepositId, &Deposit>,
    ) -> Reconciled {
        let of_lines = self.seen.values().map(|(bank, _)| bank);
        let codes: BTreeSet<BankCode> = firm.banks.keys().chain(of_lines).cloned().collect();
        let (through, clearing_minor) = (self.through, self.clearing_minor);
        let in_transit = self.in_transit(accounts);
        let banks = codes.iter().map(|code| self.bank(firm, code, deposits)).collect();
        Reconciled { through, banks, in_transit, clearing_minor }
    }

    fn in_transit(&self, accounts: &[(AccountId, &Account)]) -> Vec<InTransit> {
        let mut found = Vec::new();
        // What matches took out of clearing by the day, and movements account for.
        let mut taken: HashMap<DepositId, i64> = HashMap::new();
        let mut left = self.movements.clone();
        for (account, of) in accounts {
            for (movement, known) in of.movements() {
                let posted = left.remove(&(*account, movement.clone())).unwrap_or(0);
                let is_there =
                    |id: &DepositId| self.deposits.get(id).is_some_and(|p| p.matches > 0);
                let arrived = known.deposited.filter(is_there);
                if let Some(id) = arrived {
                    *taken.entry(id).or_default() += known.amount.minor();
                }
                let minor = posted - if arrived.is_some() { known.amount.minor() } else { 0 };
                if minor != 0 {
                    found.push(InTransit {
                        kind: Some(movement.kind),
                        name: Some(movement.name),
                        account: Some(*account),
                        on: Some(known.on),
                        minor,
                        arrived: known.deposited,
                    });
                }
            }
        }
        // Facts that were taken back since.
        for ((account, of), minor) in left.into_iter().filter(|(_, minor)| *minor != 0) {
            found.push(InTransit {
                kind: Some(of.kind),
                name: Some(of.name),
                account: Some(account),
                on: None,
                minor,
                arrived: None,
            });
        }
        // Matches that were taken back since.
        for (id, posted) in &self.deposits {
            let minor = posted.clearing + taken.get(id).copied().unwrap_or(0);
            if minor != 0 {
                found.push(InTransit {
                    kind: None,
                    name: None,
                    account: None,
                    on: self.seen.get(id).map(|(_, on)| *on),
                    minor,
                    arrived: Some(*id),
                });
            }
        }
        found.sort_by(|a, b| {
            (a.on, &a.name, a.arrived, a.minor).cmp(&(b.on, &b.name, b.arrived, b.minor))
        });
        found
    }

    fn bank(
        &self,
        firm: &Firm,
        code: &BankCode,
        deposits: &HashMap<DepositId, &Deposit>,
    ) -> BankReconciled {
        let declared = firm.banks.get(code);
        let opening = declared.map(|of| (of.opened_on, of.declared.opening.minor()));
        let opening_posted = self.openings.get(code.as_str()).copied().unwrap_or(0);
        let mine = |id: &DepositId| {
            let (bank, on) = self.seen.get(id)?;
            (bank == code).then_some((*id, *on))
        };
        let posted = |id: DepositId| self.deposits.get(&id).copied().unwrap_or_default();
        let in_ledger: Lines = self
            .deposits
            .keys()
            .filter_map(mine)
            .map(|(id, on)| ((on, id), posted(id).bank))
            .collect();
        let ledger_minor = opening_posted + in_ledger.values().sum::<i64>();
        let declared_minor = opening.map_or(0, |(_, minor)| minor);
        let statements = statements_of(code, deposits, self.through, declared_minor);
        let is_open = opening.is_some_and(|(on, _)| on <= self.through);
        let closed_on = declared.and_then(|of| of.declared.closed_on);
        let wanted = closed_on.map_or(self.through, |closed| closed.min(self.through));
        let side = Walk::along(&statements, opening, self.through, |first, last| {
            let lines = deposits.iter().filter_map(|(id, of)| Some((id, of.line.as_ref()?)));
            lines
                .filter(|(_, line)| line.seen.bank == *code)
                .filter(|(_, line)| first.is_none_or(|day| day <= line.mark.on))
                .filter(|(_, line)| line.mark.on <= last)
                .map(|(id, line)| ((line.mark.on, *id), line.seen.amount.minor()))
                .collect()
        });
        let items = side.as_ref().map_or_else(Vec::new, |side| {
            let in_force = |on: CivilDate, id: DepositId| {
                let line = deposits.get(&id).and_then(|of| of.line.as_ref());
                line.is_some_and(|line| line.mark.on == on)
            };
            side.items(opening, opening_posted, &in_ledger, in_force)
        });
        let mut unexplained: Vec<UnexplainedLine> = self.unexplained(deposits, mine);
        unexplained.sort_by_key(|line| (line.on, line.deposit));
        BankReconciled {
            bank: code.clone(),
            is_declared: declared.is_some(),
            wanted_through: is_open.then_some(wanted),
            statement: side.map(|side| side.balance),
            ledger_minor,
            items,
            unexplained,
            lines: u64::try_from(in_ledger.values().filter(|minor| **minor != 0).count())
                .unwrap_or(u64::MAX),
            statements: statements.iter().map(|(known, _)| known.clone()).collect(),
        }
    }

    /// Lines in suspense: pieces of one line's money together, as its match explained them by then.
    fn unexplained(
        &self,
        deposits: &HashMap<DepositId, &Deposit>,
        mine: impl Fn(&DepositId) -> Option<(DepositId, CivilDate)>,
    ) -> Vec<UnexplainedLine> {
        let mut sums: HashMap<DepositId, i64> = HashMap::new();
        for (id, posted) in &self.deposits {
            let whole = self.joined.get(id).copied().unwrap_or(*id);
            *sums.entry(whole).or_default() -= posted.suspense;
        }
        let line = |(id, minor): (DepositId, i64)| {
            let (deposit, on) = mine(&id)?;
            let is_explained_since = deposits.get(&id).is_none_or(|of| !of.is_open());
            Some(UnexplainedLine { deposit, on, minor, is_explained_since })
        };
        sums.into_iter().filter(|(_, minor)| *minor != 0).filter_map(line).collect()
    }
}
