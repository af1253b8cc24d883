//! Which corrections changed what a gate answers: it would answer otherwise had they not been told. A correction that
//! helps a fee through is the first thing an examiner looks for. It takes a judgement for each fact that was
//! corrected, so that it is asked where a fee is explained or exported, and never where one is decided.

use super::grid::slot_for;
use super::{Judge, Matter};
use crate::case::{Case, Corrected};
use crate::event::{Event, Recorded};
use crate::firm::{Firm, FirmTakenBack};
use crate::gates::{Answer, Explanation, Finding, Gate};

/// Most corrected facts of a case, and of its firm, that are judged one by one, those corrected last first.
pub const CORRECTED_MAX: usize = 50;

/// A case and its firm as they would be had a fact never been corrected, or none of them.
pub struct ToldFirst {
    facts: Vec<OfFact>,
    /// The case, if it would be another.
    case: Option<Case>,
    /// The firm, if it would be another: it holds every pack, and is copied only then.
    firm: Option<Firm>,
}

/// What became of a fact.
#[derive(Clone)]
struct OfFact {
    /// The code of its kind.
    kind: &'static str,
    /// The gates that it may bear on.
    gates: &'static [Gate],
    told_at: u64,
    how: &'static str,
    at: u64,
}

impl OfFact {
    fn corrected(told_at: u64, of: &Corrected) -> Self {
        let how = match (of.stands, of.about_another) {
            (true, _) => "told anew",
            (false, true) => "taken back as another person's",
            (false, false) => "taken back",
        };
        let (kind, gates) = (of.kind.code(), of.kind.gates());
        Self { kind, gates, told_at, how, at: of.reading.at.position }
    }

    fn of_firm(told_at: u64, of: &FirmTakenBack) -> Self {
        let how = if of.again { "told anew" } else { "taken back" };
        let (kind, gates) = (of.kind.code(), of.kind.gates());
        Self { kind, gates, told_at, how, at: of.by.position }
    }
}

impl Case {
    /// The positions of facts whose correction may bear on a gate, corrected last first.
    pub fn corrected_facts(&self) -> Vec<u64> {
        let bearing = self.corrected.iter().filter(|(_, of)| !of.kind.gates().is_empty());
        let corrected = bearing.map(|(&fact, of)| (of.reading.at.position, fact));
        let moved = self.moved_here.iter().filter(|(fact, _)| !self.corrected.contains_key(fact));
        let mut facts: Vec<(u64, u64)> =
            corrected.chain(moved.map(|(&fact, note)| (note.position, fact))).collect();
        facts.sort_unstable_by(|one, other| other.cmp(one));
        facts.into_iter().map(|(_, fact)| fact).take(CORRECTED_MAX).collect()
    }

    /// The case and its firm without the corrections of each of these facts and of each that the firm told of
    /// itself, and at last without those of any. The facts are given as they were told first.
    pub fn told_first(&self, facts: &[Recorded], firm: &Firm) -> Vec<ToldFirst> {
        let corrected_of_firm = firm.corrected_facts();
        let (mut none, mut none_of_case) = (Vec::new(), self.clone());
        let mut all = Vec::new();
        for recorded in facts {
            let Event::Case(event) = &recorded.event else { continue };
            let at = recorded.position;
            let moved = self.moved_here.get(&at).zip(event.fact());
            let of = match (self.corrected.get(&at), moved) {
                // Told of nobody here, had it not been moved.
                (_, Some((note, kind))) => OfFact {
                    kind: kind.code(),
                    gates: kind.gates(),
                    told_at: at,
                    how: "told first of another client, moved here",
                    at: note.position,
                },
                (Some(of), None) => OfFact::corrected(at, of),
                (None, None) => continue,
            };
            let put_back = |case: &mut Case| match moved {
                Some(_) => case.take_back(at),
                None => case.tell_first(recorded, event),
            };
            none.push(of.clone());
            put_back(&mut none_of_case);
            let mut case = self.clone();
            put_back(&mut case);
            all.push(ToldFirst { facts: vec![of], case: Some(case), firm: None });
        }
        let mut none_of_firm = (!corrected_of_firm.is_empty()).then(|| firm.clone());
        for at in corrected_of_firm.into_iter().take(CORRECTED_MAX) {
            let of = OfFact::of_firm(at, firm.last_of(at));
            none.push(of.clone());
            if let Some(firm) = &mut none_of_firm {
                firm.tell_first(at);
            }
            let mut without = firm.clone();
            without.tell_first(at);
            all.push(ToldFirst { facts: vec![of], case: None, firm: Some(without) });
        }
        if all.len() > 1 {
            all.push(ToldFirst { facts: none, case: Some(none_of_case), firm: none_of_firm });
        }
        all
    }
}

impl<'a> Judge<'a> {
    /// The same judge of another reading of its case.
    pub(crate) fn of_same_matter<'b>(&self, case: &'b Case) -> Judge<'b>
    where
        'a: 'b,
    {
        Judge::of_edition(Matter { case, ..self.matter }, self.edition)
    }
}

impl Judge<'_> {
    /// Names beside each gate of a fee that it explained the corrections without which the gate would answer
    /// otherwise: those of one fact, or of all together where none does it alone.
    pub fn name_corrections(&self, explanation: &mut Explanation, told_first: &[ToldFirst]) {
        let mut named: Vec<Vec<String>> = vec![Vec::new(); explanation.findings.len()];
        for told in told_first {
            let case = told.case.as_ref().unwrap_or(self.matter.case);
            let firm = told.firm.as_ref().unwrap_or(self.matter.firm);
            let matter = Matter { case, firm, ..self.matter };
            let answers = Judge::of_edition(matter, self.edition).answers(explanation);
            let of_gates = explanation.findings.iter().zip(answers).zip(&mut named);
            for ((finding, answer), names) in of_gates {
                let is_new = told.facts.len() == 1 || names.is_empty();
                if answer != finding.answer && is_new {
                    names.extend(told.names(finding, answer));
                }
            }
        }
        for (finding, names) in explanation.findings.iter_mut().zip(named) {
            finding.is_corrected = !names.is_empty();
            if finding.is_corrected {
                finding.because = format!("{}; corrected: {}", finding.because, names.join(", "));
            }
        }
    }

    /// What each gate answers for the same fee.
    pub(crate) fn answers(&self, explanation: &Explanation) -> Vec<Answer> {
        let earned = explanation.earned.as_ref();
        let mut fees = self.matter.case.earned.iter();
        if let Some(fee) = earned.and_then(|mark| fees.position(|fee| fee.mark == *mark)) {
            return self.answers_of_fee(fee, explanation.as_of);
        }
        let period = explanation.period;
        match slot_for(&self.slots, period.start, period.end) {
            Some(slot) => {
                let found = self.explained(slot, None, explanation.as_of);
                found.findings.iter().map(|finding| finding.answer).collect()
            }
            None => vec![Answer::Fails; explanation.findings.len()],
        }
    }
}

impl ToldFirst {
    /// The corrections without which a gate would answer otherwise than it does.
    fn names(&self, finding: &Finding, answer: Answer) -> Vec<String> {
        let is_alone = self.facts.len() == 1;
        let bearing = self.facts.iter().filter(|of| is_alone || of.gates.contains(&finding.gate));
        let said = bearing.map(|OfFact { kind, told_at, how, at, .. }| {
            let kind = kind.replace('_', " ");
            let otherwise = match (answer, finding.answer) {
                (Answer::Holds, _) => "it would pass",
                (Answer::Unknown, _) => "it would be unknown",
                (Answer::Fails, Answer::Holds) => "it would not pass",
                // What is unknown does not pass either.
                (Answer::Fails, Answer::Unknown | Answer::Fails) => "it would fail",
            };
            format!("{kind} of position {told_at} {how} at {at}, without which {otherwise}")
        });
        said.collect()
    }
}
