//! The search behind a proposal, rule by rule.

use std::collections::{BTreeMap, HashMap, HashSet};

use chrono::NaiveDate;

use super::combination::{bits_of, combinations};
use super::{COMBINED_MAX, Certainty, Deposit, Movement, Payout, Proposal, Refused, Rule, Window};

pub(super) struct Search<'a> {
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

impl<'a> Search<'a> {
    pub(super) fn new(
        deposits: &'a [Deposit],
        movements: &'a [Movement],
        payouts: &'a [Payout],
        window: Window,
    ) -> Self {
        Self {
            deposits,
            movements,
            payouts,
            window,
            used: vec![false; movements.len()],
            payouts_used: vec![false; payouts.len()],
            done: BTreeMap::new(),
        }
    }

    pub(super) fn run(mut self) -> Vec<Proposal> {
        self.named_payouts();
        self.named_movements();
        // Of what is left, the rules look at one state, so that the order of lines decides nothing.
        let by_amount = self.payouts_by_amount();
        for at in 0..self.deposits.len() {
            if !self.done.contains_key(&at) {
                let proposal = self.unnamed(at, &by_amount);
                self.done.insert(at, proposal);
            }
        }
        self.finish()
    }

    /// Whether a person said no to this, at any of its lines.
    fn is_refused(
        &self,
        lines: &[usize],
        payout: Option<usize>,
        movements: impl Fn() -> Vec<usize>,
    ) -> bool {
        let same_lines = |line: usize, refused: &Refused| {
            refused.joined.len() + 1 == lines.len()
                && lines.iter().all(|at| *at == line || refused.joined.contains(at))
        };
        let is_no = |line: usize, refused: &Refused| {
            refused.payout == payout
                && same_lines(line, refused)
                && (payout.is_some() || refused.movements == movements())
        };
        lines.iter().any(|line| self.deposits[*line].refused.iter().any(|no| is_no(*line, no)))
    }

    /// Nothing is certain about a line that a person said no about.
    fn sure(&self, lines: &[usize], because: &mut String) -> Certainty {
        if lines.iter().any(|line| self.deposits[*line].doubted) {
            because.push_str("; a person said no before");
            return Certainty::Only;
        }
        Certainty::Certain
    }

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
        if self.is_refused(lines, Some(at), Vec::new) {
            return;
        }
        let payout = &self.payouts[at];
        let sum: i64 = lines.iter().map(|line| self.deposits[*line].amount_minor).sum();
        let difference_minor = sum - payout.net_minor;
        let is_free = self.is_free(at);
        let (name, count) = (&payout.name, payout.movements.len());
        let mut because = match (is_free, difference_minor, lines.len()) {
            (true, 0, 1) => format!("names the payout {name} of {count} movements, to the cent"),
            (true, 0, pieces) => {
                format!("one of {pieces} pieces of the payout {name}, to the cent")
            }
            (true, ..) => {
                format!("names the payout {name}, from which it differs by {difference_minor}")
            }
            (false, ..) => {
                format!("names the payout {name}, whose movements stand behind another line")
            }
        };
        let certainty = match (is_free, difference_minor) {
            (true, 0) => self.sure(lines, &mut because),
            _ => Certainty::DoesNotAddUp,
        };
        if certainty == Certainty::Certain {
            for at in &payout.movements {
                self.used[*at] = true;
            }
            self.payouts_used[at] = true;
        }
        let Some((first, rest)) = lines.split_first() else { return };
        let rule = Some(Rule::Reference);
        let whole = Proposal {
            deposit: *first,
            joined: rest.to_vec(),
            payout: Some(at),
            movements: payout.movements.clone(),
            difference_minor,
            rule,
            certainty,
            because: because.clone(),
        };
        self.done.insert(*first, whole);
        for line in rest {
            // A piece follows the line that has the match.
            let joined = vec![*first];
            let open = Self::open(*line, because.clone());
            self.done.insert(*line, Proposal { joined, rule, certainty, ..open });
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
            if self.is_refused(&[line], None, || found.clone()) {
                continue;
            }
            let clear = named.iter().all(|places| places.len() == 1);
            let count = found.len();
            let exact = difference_minor == 0 && clear && found.iter().all(|at| !self.used[*at]);
            let (certainty, because) = if exact {
                let mut because = format!("names {count} movements that sum to it, to the cent");
                (self.sure(&[line], &mut because), because)
            } else {
                let because = format!(
                    "names {count} movements, from whose sum it differs by {difference_minor}"
                );
                (Certainty::DoesNotAddUp, because)
            };
            if certainty == Certainty::Certain {
                for at in &found {
                    self.used[*at] = true;
                }
            }
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
        let found: Vec<usize> = found
            .into_iter()
            .filter(|payout| !self.is_refused(&[line], Some(*payout), Vec::new))
            .collect();
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
        let same = same.copied();
        let same: Vec<usize> =
            same.filter(|at| !self.is_refused(&[line], None, || vec![*at])).collect();
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
            .filter(|(_, (_, places))| !self.is_refused(&[line], None, || places.clone()))
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
            let others =
                others.filter(|other| !self.is_refused(&[line, *other], Some(at), Vec::new));
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
        let deposit = &self.deposits[line];
        let alone = deposit.refused.iter().filter(|no| no.payout.is_none() && no.joined.is_empty());
        let refused: Vec<u32> = alone.filter_map(|no| bits_of(&no.movements, near)).collect();
        let answers = combinations(&amounts, deposit.amount_minor, &refused);
        let Some(first) = answers.first else {
            let other = if refused.is_empty() { "" } else { "other " };
            let count = near.len();
            let because =
                format!("no {other}combination of the {count} movements near it sums to it");
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
