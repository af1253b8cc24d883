//! Facts of letters, answers and requests to bureaus, each at its place, and taken back.

#[cfg(test)]
mod tests;

use std::sync::Arc;

use calendar::CivilDate;

use super::next::{Newest, Next};
use super::{
    Answer, AskAnswered, Asked, BasisTold, Case, LetterState, Mark, Moment, OfLetter, OfListing,
    Round, insert,
};
use crate::event::{
    BasisAttested, BlockRefusal, BureauAnswered, BureauAsked, Outcome, ResponseReceived, RoundSent,
};
use crate::ids::{BureauCode, ItemCode};
use crate::terms::Work;

impl Case {
    pub(super) fn sent(&mut self, e: &RoundSent, moment: Moment) {
        let mut letters = Vec::with_capacity(e.letters.len());
        let mut is_first_told = true;
        for letter in &e.letters {
            let reports = self.reports.get(&letter.bureau);
            let free_report = reports.is_some_and(|reports| reports.is_free_on(moment.on()));
            // What is told of it stands where its round was told otherwise before.
            let of = self.unsent.remove(&(e.round, letter.bureau.clone()));
            is_first_told &= of.is_none();
            let of = of.unwrap_or_default();
            letters.push(LetterState {
                answers: of.answers,
                bureau: letter.bureau.clone(),
                delivered: of.delivered,
                free_report,
                information: of.information,
                items: letter.items.clone(),
                mail_class: letter.mail_class,
                tracking: letter.tracking.clone(),
            });
        }
        self.rounds_told = self.rounds_told.max(e.round);
        let (contact, mark) = (e.contact.clone(), moment.mark.clone());
        let round = Round { contact, letters, mark, number: e.round, request: moment.request };
        let rounds = Arc::make_mut(&mut self.rounds);
        let place = |round: &Round| (round.mark.on, round.mark.at.position);
        let at = rounds.partition_point(|known| place(known) < place(&round));
        rounds.insert(at, round);
        for letter in &e.letters {
            for item in &letter.items {
                self.in_log(item, &letter.bureau, false);
            }
            let what = Newest::Letter { round: e.round };
            let next = Next { mark: &moment.mark, what };
            self.conclude(&letter.bureau, &letter.items, is_first_told.then_some(&next));
        }
        self.did(Work::DisputeRound, e.completes_before, moment);
    }

    fn letter_mut(&mut self, round: u32, bureau: &BureauCode) -> Option<&mut LetterState> {
        let round = Arc::make_mut(&mut self.rounds).iter_mut().find(|r| r.number == round)?;
        round.letters.iter_mut().find(|l| l.bureau == *bureau)
    }

    fn unsent(&mut self, round: u32, bureau: &BureauCode) -> &mut OfLetter {
        self.unsent.entry((round, bureau.clone())).or_default()
    }

    pub(super) fn delivered(&mut self, round: u32, bureau: &BureauCode, moment: Moment) {
        let delivered = match self.letter_mut(round, bureau) {
            Some(letter) => &mut letter.delivered,
            None => &mut self.unsent(round, bureau).delivered,
        };
        insert(delivered, moment, |known| known);
    }

    pub(super) fn informed(&mut self, round: u32, bureau: &BureauCode, moment: Moment) {
        let Some(letter) = self.letter_mut(round, bureau) else {
            insert(&mut self.unsent(round, bureau).information, moment, |known| known);
            return;
        };
        insert(&mut letter.information, moment.clone(), |known| known);
        let items = letter.items.clone();
        let what = Newest::Word { is_new: true };
        let next = Next { mark: &moment.mark, what };
        self.conclude(bureau, &items, Some(&next));
    }

    pub(super) fn answered(&mut self, e: &ResponseReceived, moment: Moment) {
        let determined_on = e.determined_on;
        let mark = moment.mark.clone();
        let answer = Answer { determined_on, moment, outcomes: e.outcomes.clone() };
        for said in &e.outcomes {
            match said.outcome {
                // The announcements behind it say so of the others.
                Outcome::Frivolous | Outcome::NoAnswer => {
                    self.in_log(&said.item, &e.bureau, false);
                }
                Outcome::Deleted | Outcome::Corrected | Outcome::Verified => {}
            }
        }
        let Some(letter) = self.letter_mut(e.round, &e.bureau) else {
            let answers = &mut self.unsent(e.round, &e.bureau).answers;
            return insert(answers, answer, |known| &known.moment);
        };
        insert(&mut letter.answers, answer, |known| &known.moment);
        let letter = letter.clone();
        let what = Newest::Answer { round: e.round, letter: &letter, outcomes: &e.outcomes };
        let next = Next { mark: &mark, what };
        self.conclude(&e.bureau, e.outcomes.iter().map(|said| &said.item), Some(&next));
    }

    pub(super) fn attested(&mut self, e: &BasisAttested, moment: &Moment) {
        let has_statement = e.statement.is_some();
        let told = BasisTold { basis: e.basis, has_statement, moment: moment.clone() };
        let mut is_new = has_statement;
        self.of_listing(&e.item, &e.bureau, |of| {
            is_new |= of.bases.iter().all(|known| known.basis != e.basis);
            insert(&mut of.bases, told, |known| &known.moment);
        });
        let what = Newest::Word { is_new };
        let next = Next { mark: &moment.mark, what };
        self.conclude(&e.bureau, [&e.item], Some(&next));
    }

    pub(super) fn noticed(&mut self, item: &ItemCode, bureau: &BureauCode, moment: &Moment) {
        self.of_listing(item, bureau, |of| {
            of.is_gone_in_log = false;
            insert(&mut of.notices, moment.clone(), |known| known);
        });
        let what = Newest::Notice;
        let next = Next { mark: &moment.mark, what };
        self.conclude(bureau, [item], Some(&next));
    }

    fn of_listing(
        &mut self,
        item: &ItemCode,
        bureau: &BureauCode,
        tell: impl FnOnce(&mut OfListing),
    ) {
        let key = (item.clone(), bureau.clone());
        match Arc::make_mut(&mut self.listings).get_mut(&key) {
            Some(listing) => tell(&mut Arc::make_mut(listing).told),
            None => tell(self.unlisted.entry(key).or_default()),
        }
    }

    pub(super) fn asked_of(&mut self, e: &BureauAsked, moment: Moment) {
        let asked = Asked { answered: None, ask: e.ask, bureau: e.bureau.clone(), moment };
        insert(&mut self.asked, asked, |known| &known.moment);
        self.match_asked();
    }

    pub(super) fn ask_answered(&mut self, e: &BureauAnswered, mark: Mark) {
        let (bureau, refused) = (e.bureau.clone(), e.refused.clone());
        let answered = AskAnswered { ask: e.ask, bureau, mark, refused };
        let place = |known: &AskAnswered| (known.mark.on, known.mark.at.position);
        let at = self.asks_answered.partition_point(|known| place(known) < place(&answered));
        self.asks_answered.insert(at, answered);
        self.match_asked();
    }

    /// An answer meets the first request of its kind that is open on its day; a block that is declined on the day of
    /// that decision, once however often it is told. One that is rescinded was done.
    fn match_asked(&mut self) {
        self.asked.iter_mut().for_each(|asked| asked.answered = None);
        let mut declined: Vec<(&BureauCode, CivilDate)> = Vec::new();
        for answer in &self.asks_answered {
            let on = match &answer.refused {
                None => answer.mark.on,
                Some(refused) => {
                    let decision = (&answer.bureau, refused.determined_on);
                    if refused.how == BlockRefusal::Rescinded || declined.contains(&decision) {
                        continue;
                    }
                    declined.push(decision);
                    refused.determined_on
                }
            };
            let is_open = |asked: &&mut Asked| asked.is_met_by(answer.ask, &answer.bureau, on);
            if let Some(asked) = self.asked.iter_mut().find(is_open) {
                asked.answered = Some(Mark { on, ..answer.mark.clone() });
            }
        }
    }

    /// Takes back a report, a round, what became of a letter, an attested basis, a request to a bureau, what was
    /// answered to it, or a notice of reinsertion that was told at a position, with everything concluded from it.
    /// Says whether one was.
    pub(super) fn take_back_dispute(&mut self, position: u64) -> bool {
        let is_it = |mark: &Mark| mark.at.position == position;
        if let Some(bureau) = self.take_back_report(position) {
            self.work.retain(|done| !is_it(&done.moment.mark));
            self.conclude_bureau(&bureau, None);
            return true;
        }
        if let Some(at) = self.rounds.iter().position(|round| is_it(&round.mark)) {
            let round = Arc::make_mut(&mut self.rounds).remove(at);
            self.work.retain(|done| !is_it(&done.moment.mark));
            for letter in round.letters {
                let LetterState { answers, bureau, delivered, information, items, .. } = letter;
                let of = OfLetter { answers, delivered, information };
                if of != OfLetter::default() {
                    self.unsent.insert((round.number, bureau.clone()), of);
                }
                self.conclude(&bureau, &items, None);
            }
            return true;
        }
        if let Some(at) = self.asked.iter().position(|asked| is_it(&asked.moment.mark)) {
            self.asked.remove(at);
            self.match_asked();
            return true;
        }
        if let Some(at) = self.asks_answered.iter().position(|answered| is_it(&answered.mark)) {
            self.asks_answered.remove(at);
            self.match_asked();
            return true;
        }
        self.take_back_of_letter(position) || self.take_back_of_listing(position)
    }

    fn take_back_of_letter(&mut self, position: u64) -> bool {
        let is_it = |moment: &Moment| moment.mark.at.position == position;
        let has_it = |letter: &LetterState| {
            letter.delivered.iter().chain(&letter.information).any(is_it)
                || letter.answers.iter().any(|answer| is_it(&answer.moment))
        };
        self.unsent.retain(|_, of| {
            of.delivered.retain(|known| !is_it(known));
            of.information.retain(|known| !is_it(known));
            of.answers.retain(|known| !is_it(&known.moment));
            *of != OfLetter::default()
        });
        if !self.rounds.iter().any(|round| round.letters.iter().any(has_it)) {
            return false;
        }
        let letters = Arc::make_mut(&mut self.rounds).iter_mut().flat_map(|r| &mut r.letters);
        let mut disputed = Vec::new();
        for letter in letters.filter(|letter| has_it(letter)) {
            letter.delivered.retain(|known| !is_it(known));
            letter.information.retain(|known| !is_it(known));
            letter.answers.retain(|known| !is_it(&known.moment));
            disputed.push((letter.bureau.clone(), letter.items.clone()));
        }
        for (bureau, items) in disputed {
            self.conclude(&bureau, &items, None);
        }
        true
    }

    fn take_back_of_listing(&mut self, position: u64) -> bool {
        let is_it = |moment: &Moment| moment.mark.at.position == position;
        let has_it = |told: &OfListing| {
            told.bases.iter().any(|told| is_it(&told.moment)) || told.notices.iter().any(is_it)
        };
        let listed = self.listings.iter().map(|(key, listing)| (key, &listing.told));
        let found = listed.chain(&self.unlisted).find(|(_, told)| has_it(told));
        let Some((item, bureau)) = found.map(|(key, _)| key.clone()) else { return false };
        self.of_listing(&item, &bureau, |told| {
            told.bases.retain(|known| !is_it(&known.moment));
            told.notices.retain(|known| !is_it(known));
        });
        self.conclude(&bureau, [&item], None);
        true
    }
}
