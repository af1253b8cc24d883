//! What stands behind a deposit.
//!
//! Rules, strongest first: a payout or movements that the line names; a payout of the same amount in
//! the days before; one movement of the same amount; all movements of one day; a combination of
//! movements. Only what is named and adds up to the cent is *certain*, and may be matched without a
//! person. Everything else is proposed, and says whether it is the only answer.
//!
//! A combination is looked for among at most [`COMBINED_MAX`] movements: the sums of two halves are
//! met in the middle, which finds every answer. Among more there are as good as always several, so
//! none is proposed and the line says so.

use std::collections::{BTreeMap, HashMap, HashSet};

use chrono::NaiveDate;

/// Most movements that a combination is looked for among: 2 × 2^12 sums.
pub const COMBINED_MAX: usize = 24;

/// A bank line that nobody has explained.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Deposit {
    /// What came in, minor units; below zero what went out.
    pub amount_minor: i64,
    /// The day the bank booked it.
    pub booked_on: NaiveDate,
    /// What it refers to.
    pub references: Vec<String>,
}

/// A movement that stands behind nothing yet.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Movement {
    /// Minor units; below zero what went back.
    pub amount_minor: i64,
    /// The day it happened.
    pub happened_on: NaiveDate,
    /// The processor's name for it.
    pub name: String,
}

/// A payout whose movements all stand behind nothing yet.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Payout {
    /// The processor's name for it.
    pub name: String,
    /// What reaches the bank, minor units.
    pub net_minor: i64,
    /// The day of the payout.
    pub paid_on: NaiveDate,
    /// Its movements, by their places in the list of movements.
    pub movements: Vec<usize>,
}

/// How far back is looked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Window {
    /// Days between a movement or payout and its bank line.
    pub days: u16,
}

impl Default for Window {
    /// Ten days: three business days to pay out, and weekends and holidays between (common practice,
    /// no source).
    fn default() -> Self {
        Self { days: 10 }
    }
}

impl Window {
    /// Whether something of a day may be behind a line. A day more, for what is dated in another zone.
    fn reaches(self, from: NaiveDate, booked_on: NaiveDate) -> bool {
        let days = booked_on.signed_duration_since(from).num_days();
        (-1..=i64::from(self.days)).contains(&days)
    }
}

/// By which rule something was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Rule {
    /// The line names the payout, or every movement.
    Reference,
    /// A payout of the same amount.
    PayoutAmount,
    /// One movement of the same amount.
    Amount,
    /// All movements of one day.
    WholeDay,
    /// A combination of movements.
    Combination,
}

/// How sure an answer is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Certainty {
    /// Named, and to the cent: may be matched without a person.
    Certain,
    /// The only answer by its rule, in its window: a person confirms.
    Only,
    /// One of several answers: a person chooses.
    OneOfSeveral,
    /// Named, and it does not add up: a person looks.
    DoesNotAddUp,
    /// Too many movements to look through, or none that fit: a person looks.
    Open,
}

/// What may stand behind a line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Proposal {
    /// The line, by its place.
    pub deposit: usize,
    /// Other lines of the same money, by their places.
    pub joined: Vec<usize>,
    /// The payout, by its place.
    pub payout: Option<usize>,
    /// The movements, by their places.
    pub movements: Vec<usize>,
    /// What the line has more than the movements less the payout's costs, minor units; zero for
    /// whatever adds up.
    pub difference_minor: i64,
    /// By which rule; nothing for an open one.
    pub rule: Option<Rule>,
    /// How sure.
    pub certainty: Certainty,
    /// Why, in words.
    pub because: String,
}

/// Proposes what stands behind each line, each line once and in their order. No movement is behind two
/// lines that are certain.
pub fn propose(
    deposits: &[Deposit],
    movements: &[Movement],
    payouts: &[Payout],
    window: Window,
) -> Vec<Proposal> {
    let mut search = Search {
        deposits,
        movements,
        payouts,
        window,
        used: vec![false; movements.len()],
        payouts_used: vec![false; payouts.len()],
        done: BTreeMap::new(),
    };
    search.named_payouts();
    search.named_movements();
    // Of what is left, the rules look at one state, so that the order of lines decides nothing.
    let by_amount = search.payouts_by_amount();
    for at in 0..deposits.len() {
        if !search.done.contains_key(&at) {
            let proposal = search.unnamed(at, &by_amount);
            search.done.insert(at, proposal);
        }
    }
    search.finish()
}

struct Search<'a> {
    deposits: &'a [Deposit],
    movements: &'a [Movement],
    payouts: &'a [Payout],
    window: Window,
    used: Vec<bool>,
    payouts_used: Vec<bool>,
    done: BTreeMap<usize, Proposal>,
}

/// Places of lines and payouts by their amounts.
struct ByAmount {
    deposits: HashMap<i64, Vec<usize>>,
    payouts: HashMap<i64, Vec<usize>>,
}

impl Search<'_> {
    fn open(deposit: usize, because: String) -> Proposal {
        Proposal {
            deposit,
            joined: Vec::new(),
            payout: None,
            movements: Vec::new(),
            difference_minor: 0,
            rule: None,
            certainty: Certainty::Open,
            because,
        }
    }

    fn is_free(&self, payout: usize) -> bool {
        !self.payouts_used[payout] && self.payouts[payout].movements.iter().all(|m| !self.used[*m])
    }

    /// Payouts that lines name. Several lines that name one payout are pieces of it.
    fn named_payouts(&mut self) {
        let mut places: HashMap<&str, usize> = HashMap::new();
        let mut twice: HashSet<&str> = HashSet::new();
        for (at, payout) in self.payouts.iter().enumerate() {
            if places.insert(&payout.name, at).is_some() {
                twice.insert(&payout.name);
            }
        }
        let mut pieces: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
        for (line, deposit) in self.deposits.iter().enumerate() {
            let named = deposit.references.iter().map(String::as_str);
            let mut named: Vec<usize> = named
                .filter(|name| !twice.contains(name))
                .filter_map(|name| places.get(name).copied())
                .collect();
            named.dedup();
            if let [payout] = named.as_slice() {
                pieces.entry(*payout).or_default().push(line);
            }
        }
        for (payout, lines) in pieces {
            self.named_payout(payout, &lines);
        }
    }

    fn named_payout(&mut self, at: usize, lines: &[usize]) {
        let payout = &self.payouts[at];
        let sum: i64 = lines.iter().map(|line| self.deposits[*line].amount_minor).sum();
        let difference_minor = sum - payout.net_minor;
        let is_free = self.is_free(at);
        let certain = difference_minor == 0 && is_free;
        if certain {
            for at in &payout.movements {
                self.used[*at] = true;
            }
            self.payouts_used[at] = true;
        }
        let (name, count) = (&payout.name, payout.movements.len());
        let because = match (certain, lines.len()) {
            (true, 1) => format!("names the payout {name} of {count} movements, to the cent"),
            (true, pieces) => format!("one of {pieces} pieces of the payout {name}, to the cent"),
            (false, _) if !is_free => {
                format!("names the payout {name}, whose movements stand behind another line")
            }
            (false, _) => {
                format!("names the payout {name}, from which it differs by {difference_minor}")
            }
        };
        let Some((first, rest)) = lines.split_first() else { return };
        let whole = Proposal {
            deposit: *first,
            joined: rest.to_vec(),
            payout: Some(at),
            movements: payout.movements.clone(),
            difference_minor,
            rule: Some(Rule::Reference),
            certainty: if certain { Certainty::Certain } else { Certainty::DoesNotAddUp },
            because: because.clone(),
        };
        self.done.insert(*first, whole);
        for line in rest {
            // A piece follows the line that has the match.
            let piece = Proposal {
                certainty: if certain { Certainty::Certain } else { Certainty::DoesNotAddUp },
                joined: vec![*first],
                rule: Some(Rule::Reference),
                ..Self::open(*line, because.clone())
            };
            self.done.insert(*line, piece);
        }
    }

    /// Movements that lines name, and nothing else.
    fn named_movements(&mut self) {
        let mut places: HashMap<&str, Vec<usize>> = HashMap::new();
        for (at, movement) in self.movements.iter().enumerate() {
            places.entry(&movement.name).or_default().push(at);
        }
        for (line, deposit) in self.deposits.iter().enumerate() {
            if self.done.contains_key(&line) {
                continue;
            }
            let named: Vec<&Vec<usize>> =
                deposit.references.iter().filter_map(|name| places.get(name.as_str())).collect();
            // A name that was given twice names nothing.
            let mut found: Vec<usize> = named
                .iter()
                .filter(|places| places.len() == 1)
                .flat_map(|places| places.iter().copied())
                .collect();
            found.sort_unstable();
            found.dedup();
            if found.is_empty() {
                continue;
            }
            let sum: i64 = found.iter().map(|at| self.movements[*at].amount_minor).sum();
            let difference_minor = deposit.amount_minor - sum;
            let clear = named.iter().all(|places| places.len() == 1);
            let certain = difference_minor == 0 && clear && found.iter().all(|at| !self.used[*at]);
            if certain {
                for at in &found {
                    self.used[*at] = true;
                }
            }
            let count = found.len();
            let because = if certain {
                format!("names {count} movements that sum to it, to the cent")
            } else {
                format!("names {count} movements, from whose sum it differs by {difference_minor}")
            };
            let certainty = if certain { Certainty::Certain } else { Certainty::DoesNotAddUp };
            let rule = Some(Rule::Reference);
            let open = Self::open(line, because);
            let movements = found;
            self.done
                .insert(line, Proposal { movements, difference_minor, rule, certainty, ..open });
        }
    }

    fn payouts_by_amount(&self) -> ByAmount {
        let mut deposits: HashMap<i64, Vec<usize>> = HashMap::new();
        for (at, deposit) in self.deposits.iter().enumerate() {
            if !self.done.contains_key(&at) {
                deposits.entry(deposit.amount_minor).or_default().push(at);
            }
        }
        let mut payouts: HashMap<i64, Vec<usize>> = HashMap::new();
        for (at, payout) in self.payouts.iter().enumerate() {
            if self.is_free(at) {
                payouts.entry(payout.net_minor).or_default().push(at);
            }
        }
        ByAmount { deposits, payouts }
    }

    fn unnamed(&self, line: usize, by_amount: &ByAmount) -> Proposal {
        if let Some(proposal) = self.by_payout(line, by_amount) {
            return proposal;
        }
        let near = self.near(line);
        self.by_movement(line, &near, by_amount)
            .or_else(|| self.by_day(line, &near))
            .or_else(|| self.by_pieces(line, by_amount))
            .unwrap_or_else(|| self.by_combination(line, &near))
    }

    fn certainty(answers: usize) -> Certainty {
        if answers == 1 { Certainty::Only } else { Certainty::OneOfSeveral }
    }

    fn by_payout(&self, line: usize, by_amount: &ByAmount) -> Option<Proposal> {
        let deposit = &self.deposits[line];
        let near =
            |payout: &usize| self.window.reaches(self.payouts[*payout].paid_on, deposit.booked_on);
        let found: Vec<usize> =
            by_amount.payouts.get(&deposit.amount_minor)?.iter().copied().filter(near).collect();
        let payout = *found.first()?;
        let answers = found.len().max(self.rivals(line, self.payouts[payout].paid_on, by_amount));
        let because = match answers {
            1 => format!(
                "is the only line of the amount of the payout {}",
                self.payouts[payout].name
            ),
            _ => format!("has the amount of {answers} payouts or lines near it"),
        };
        Some(Proposal {
            payout: Some(payout),
            movements: self.payouts[payout].movements.clone(),
            rule: Some(Rule::PayoutAmount),
            certainty: Self::certainty(answers),
            ..Self::open(line, because)
        })
    }

    /// Free movements that may be behind a line.
    fn near(&self, line: usize) -> Vec<usize> {
        let booked_on = self.deposits[line].booked_on;
        let places = 0..self.movements.len();
        places
            .filter(|at| !self.used[*at])
            .filter(|at| self.window.reaches(self.movements[*at].happened_on, booked_on))
            .collect()
    }

    /// How many lines of a line's amount something of a day may be behind, the line itself included.
    fn rivals(&self, line: usize, from: NaiveDate, by_amount: &ByAmount) -> usize {
        let lines = by_amount.deposits.get(&self.deposits[line].amount_minor);
        let near = |at: &&usize| self.window.reaches(from, self.deposits[**at].booked_on);
        lines.map_or(0, |lines| lines.iter().filter(near).count())
    }

    fn by_movement(&self, line: usize, near: &[usize], by_amount: &ByAmount) -> Option<Proposal> {
        let amount_minor = self.deposits[line].amount_minor;
        let same = near.iter().filter(|at| self.movements[**at].amount_minor == amount_minor);
        let same: Vec<usize> = same.copied().collect();
        let movement = *same.first()?;
        let happened_on = self.movements[movement].happened_on;
        let answers = same.len().max(self.rivals(line, happened_on, by_amount));
        let because = match answers {
            1 => format!("has the amount of {} alone", self.movements[movement].name),
            _ => format!("has the amount of {answers} movements or lines near it"),
        };
        Some(Proposal {
            movements: vec![movement],
            rule: Some(Rule::Amount),
            certainty: Self::certainty(answers),
            ..Self::open(line, because)
        })
    }

    fn by_day(&self, line: usize, near: &[usize]) -> Option<Proposal> {
        let deposit = &self.deposits[line];
        let mut days: BTreeMap<NaiveDate, (i64, Vec<usize>)> = BTreeMap::new();
        for at in near {
            let (sum, places) = days.entry(self.movements[*at].happened_on).or_default();
            *sum += self.movements[*at].amount_minor;
            places.push(*at);
        }
        let found: Vec<(NaiveDate, Vec<usize>)> = days
            .into_iter()
            .filter(|(_, (sum, places))| *sum == deposit.amount_minor && places.len() > 1)
            .map(|(day, (_, places))| (day, places))
            .collect();
        let answers = found.len();
        let (day, movements) = found.into_iter().next()?;
        let count = movements.len();
        let because = format!("is the sum of all {count} movements of {day}");
        Some(Proposal {
            movements,
            rule: Some(Rule::WholeDay),
            certainty: Self::certainty(answers),
            ..Self::open(line, because)
        })
    }

    /// Two lines that sum to a payout: a deposit that came in pieces.
    fn by_pieces(&self, line: usize, by_amount: &ByAmount) -> Option<Proposal> {
        let deposit = &self.deposits[line];
        let mut found: Vec<(usize, usize)> = Vec::new();
        for (at, payout) in self.payouts.iter().enumerate() {
            let near = |line: &Deposit| self.window.reaches(payout.paid_on, line.booked_on);
            if !self.is_free(at) || !near(deposit) {
                continue;
            }
            let others = by_amount.deposits.get(&(payout.net_minor - deposit.amount_minor));
            let others = others.into_iter().flatten().copied();
            let others = others.filter(|other| *other != line && near(&self.deposits[*other]));
            found.extend(others.map(|other| (at, other)));
        }
        let (payout, other) = *found.first()?;
        let name = &self.payouts[payout].name;
        let because = match found.len() {
            1 => format!("sums with one other line to the payout {name}"),
            count => format!("sums with other lines to payouts in {count} ways"),
        };
        Some(Proposal {
            joined: vec![other],
            payout: Some(payout),
            movements: self.payouts[payout].movements.clone(),
            rule: Some(Rule::PayoutAmount),
            certainty: Self::certainty(found.len()),
            ..Self::open(line, because)
        })
    }

    fn by_combination(&self, line: usize, near: &[usize]) -> Proposal {
        if near.len() > COMBINED_MAX {
            let because = format!(
                "{} movements are near it: more than {COMBINED_MAX} have several combinations of \
                 almost any amount",
                near.len()
            );
            return Self::open(line, because);
        }
        let amounts: Vec<i64> = near.iter().map(|at| self.movements[*at].amount_minor).collect();
        let answers = combinations(&amounts, self.deposits[line].amount_minor);
        let Some(first) = answers.first else {
            let because =
                format!("no combination of the {} movements near it sums to it", near.len());
            return Self::open(line, because);
        };
        let movements: Vec<usize> = near
            .iter()
            .enumerate()
            .filter(|(bit, _)| first >> bit & 1 == 1)
            .map(|(_, at)| *at)
            .collect();
        let because = match answers.count {
            1 => format!("is the sum of {} movements, and of no others near it", movements.len()),
            count => format!("is the sum of {count} combinations of movements near it"),
        };
        Proposal {
            movements,
            rule: Some(Rule::Combination),
            certainty: Self::certainty(usize::try_from(answers.count).unwrap_or(usize::MAX)),
            ..Self::open(line, because)
        }
    }

    /// Movements that two proposals claim are the only answer of neither, unless the two are pieces of
    /// one.
    fn finish(self) -> Vec<Proposal> {
        let mut claimed: HashMap<usize, usize> = HashMap::new();
        let is_second = |proposal: &Proposal| {
            proposal.rule == Some(Rule::PayoutAmount)
                && proposal.joined.iter().any(|other| *other < proposal.deposit)
        };
        for proposal in self.done.values().filter(|proposal| !is_second(proposal)) {
            for movement in &proposal.movements {
                *claimed.entry(*movement).or_default() += 1;
            }
        }
        let mut proposals: Vec<Proposal> = self.done.into_values().collect();
        for proposal in proposals.iter_mut().filter(|p| p.certainty == Certainty::Only) {
            if proposal.movements.iter().any(|m| claimed.get(m).is_some_and(|n| *n > 1)) {
                proposal.certainty = Certainty::OneOfSeveral;
                proposal.because.push_str("; another line may have the same movements");
            }
        }
        proposals
    }
}

/// How many subsets sum to something, and one of them as bits.
struct Combinations {
    count: u64,
    first: Option<u32>,
}

/// Every subset, found by the sums of two halves. At most [`COMBINED_MAX`] amounts; of nothing there is
/// no answer, so the empty subset is none.
fn combinations(amounts: &[i64], wanted: i64) -> Combinations {
    if wanted == 0 {
        return Combinations { count: 0, first: None };
    }
    let half = amounts.len() / 2;
    let (low, high) = amounts.split_at(half);
    let mut sums: HashMap<i64, (u64, u32)> = HashMap::new();
    for (mask, sum) in subset_sums(low) {
        let (count, _) = sums.entry(sum).or_insert((0, mask));
        *count += 1;
    }
    let mut found = Combinations { count: 0, first: None };
    for (mask, sum) in subset_sums(high) {
        let Some((count, other)) = sums.get(&(wanted - sum)) else { continue };
        found.count += count;
        found.first.get_or_insert(other | mask << half);
    }
    found
}

fn subset_sums(amounts: &[i64]) -> impl Iterator<Item = (u32, i64)> {
    (0..1_u32 << amounts.len()).map(|mask| {
        let chosen = amounts.iter().enumerate().filter(|(bit, _)| mask >> bit & 1 == 1);
        (mask, chosen.map(|(_, amount)| amount).sum())
    })
}
