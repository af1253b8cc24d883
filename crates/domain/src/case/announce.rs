//! Reports, answers and notices, and what each of them changes of what is concluded.
//!
//! Conclusions are computed from the facts. What one more fact changes of them is announced behind it, for whoever
//! follows the log; nothing is folded from that.

use super::decide::{Facts, REPORT_ITEMS_MAX, one};
use super::fact::{after_sending, bureau, letter, listing};
use super::{Achievement, Case, LetterState, Listing, ListingStatus, Mark, Moment, Round};
use crate::codec;
use crate::command::{ImportReport, NoteReinsertion};
use crate::event::{
    CaseEvent, EventRef, FactCorrected, ItemCorrected, ItemDeleted, ItemListed, ItemReinserted,
    ItemVerified, Outcome, ReportImported, ResponseReceived, SeenBy,
};
use crate::ids::{BureauCode, EventId, ItemCode};
use crate::refusal::{Reason, Refusal};
use crate::world::EVENT_BYTES_MAX;

/// Most bytes of what an event is stored with beside its payload.
const ENVELOPE_BYTES_MAX: usize = 2_048;

/// A report with its list, and what it changes.
pub(super) fn imported(
    case: &Case,
    facts: &Facts<'_>,
    import: &ImportReport,
) -> Result<Vec<CaseEvent>, Refusal> {
    bureau(facts, &import.bureau)?;
    if import.issued_on > facts.on {
        return Err(
            facts.refuse(Reason::DateImpossible, "issued_on is after the day of the import")
        );
    }
    if import.items.len() > REPORT_ITEMS_MAX {
        return Err(facts
            .refuse(Reason::TooLarge, format!("a report has at most {REPORT_ITEMS_MAX} items")));
    }
    let mut codes: Vec<&ItemCode> = import.items.iter().map(|seen| &seen.item).collect();
    codes.sort_unstable();
    if codes.windows(2).any(|pair| pair[0] == pair[1]) {
        return Err(facts.refuse(Reason::ValueRefused, "an item stands on the report twice"));
    }
    let told = ReportImported {
        bureau: import.bureau.clone(),
        card_balance: import.card_balance,
        card_limit: import.card_limit,
        completes_before: import.completes_before,
        document: import.document,
        free_annual: import.free_annual,
        inquiries: import.inquiries,
        issued_on: import.issued_on,
        items: Some(import.items.clone()),
        listings: u32::try_from(import.items.len()).unwrap_or(u32::MAX),
        score: import.score.clone(),
    };
    let (bytes, most) = (codec::to_bytes(&told).len(), EVENT_BYTES_MAX - ENVELOPE_BYTES_MAX);
    if bytes > most {
        let detail = format!(
            "items: the {} listings of this report come to {bytes} bytes as they are recorded, and a \
             report has at most {most}",
            import.items.len()
        );
        return Err(facts.refuse(Reason::TooLarge, detail));
    }
    let mut after = case.clone();
    after.imported(&told, next(facts));
    let mut events = one(told);
    // In the order in which the report lists them, then what it does not.
    let of_bureau = after.listings.keys().filter(|(_, at)| *at == import.bureau);
    let others = of_bureau.map(|(item, _)| item).filter(|item| codes.binary_search(item).is_err());
    let items = import.items.iter().map(|seen| &seen.item).chain(others);
    events.extend(announced(case, &after, &import.bureau, items));
    Ok(events)
}

/// What is concluded of listings after a correction and was not before it.
pub(super) fn news(before: &Case, after: &Case) -> Vec<CaseEvent> {
    let mut events = Vec::new();
    for (key, listing) in after.listings.iter() {
        announce(before.listings.get(key).map(AsRef::as_ref), listing, key, &mut events);
    }
    events
}

/// The case as a correction leaves it.
pub(super) fn after(case: &Case, facts: &Facts<'_>, e: &FactCorrected) -> Case {
    let mut after = case.clone();
    after.correct(&next(facts), e);
    after
}

/// Where the next event of a request will stand.
pub(super) fn next(facts: &Facts<'_>) -> Moment {
    let at = EventRef { id: EventId(uuid::Uuid::nil()), position: facts.position + 1 };
    let order = at.position;
    let mark = Mark { at, late: false, on: facts.on };
    Moment { at: facts.at, mark, order, request: facts.request }
}

/// What is concluded of some listings of a bureau after a fact and was not before it.
fn announced<'a>(
    before: &Case,
    after: &Case,
    bureau: &BureauCode,
    items: impl Iterator<Item = &'a ItemCode>,
) -> Vec<CaseEvent> {
    let mut events = Vec::new();
    for item in items {
        let key = (item.clone(), bureau.clone());
        if let Some(listing) = after.listings.get(&key) {
            announce(before.listings.get(&key).map(AsRef::as_ref), listing, &key, &mut events);
        }
    }
    events
}

fn announce(
    before: Option<&Listing>,
    after: &Listing,
    (item, bureau): &(ItemCode, BureauCode),
    events: &mut Vec<CaseEvent>,
) {
    let (item, bureau) = (item.clone(), bureau.clone());
    if before.is_none() {
        let seen = &after.seen;
        events.push(
            ItemListed {
                balance: seen.balance,
                bureau: bureau.clone(),
                delinquent_since: seen.delinquent_since,
                furnisher: seen.furnisher.clone(),
                item: item.clone(),
                kind: seen.kind,
            }
            .into(),
        );
    }
    let mut news: Vec<(&Mark, CaseEvent)> = Vec::new();
    let known = before.map_or(&[][..], |before| &before.results);
    for result in &after.results {
        let is_it =
            |of: &&super::Achieved| of.what == result.what && of.since.on == result.since.on;
        if known.iter().find(is_it).is_none() {
            let (bureau, item, seen_by) = (bureau.clone(), item.clone(), result.seen_by);
            let event = match result.what {
                Achievement::Deleted => ItemDeleted { bureau, item, seen_by }.into(),
                Achievement::Corrected => ItemCorrected { bureau, item, seen_by }.into(),
            };
            news.push((&result.since, event));
        }
    }
    let known = before.map_or(&[][..], |before| &before.reinsertions);
    // A notice is a fact of its own, and says by itself that the listing is back.
    for back in after.reinsertions.iter().filter(|back| back.seen_by != SeenBy::Notice) {
        if known.iter().all(|known| known.since.on != back.since.on) {
            let (bureau, item, seen_by) = (bureau.clone(), item.clone(), back.seen_by);
            news.push((&back.since, ItemReinserted { bureau, item, seen_by }.into()));
        }
    }
    news.sort_by_key(|(since, _)| (since.on, since.at.position));
    events.extend(news.into_iter().map(|(_, event)| event));
    let is_verified = |listing: &Listing| listing.status == ListingStatus::Verified;
    let is_old = before.is_some_and(|b| is_verified(b) && b.since.on == after.since.on);
    if is_verified(after) && !is_old {
        events.push(ItemVerified { bureau, item }.into());
    }
}

/// An answer counts whatever was noted or answered before: one of the same day to the same listing is a repeat.
pub(super) fn answered(
    case: &Case,
    facts: &Facts<'_>,
    e: &ResponseReceived,
) -> Result<Vec<CaseEvent>, Refusal> {
    let (round, letter) = letter(case, facts, e.round, &e.bureau)?;
    after_sending(facts, round)?;
    if e.outcomes.is_empty() {
        return Err(facts.refuse(Reason::ValueRefused, "a response has at least one outcome"));
    }
    if e.determined_on.is_some_and(|day| day < round.mark.on || day > facts.on) {
        let detail = "determined_on is from the day of the letter through the day of the answer";
        return Err(facts.refuse(Reason::DateImpossible, detail));
    }
    for (at, outcome) in e.outcomes.iter().enumerate() {
        let item = &outcome.item;
        if !letter.items.contains(item) {
            return Err(facts
                .unknown(&format!("{item} in the letter of round {} to {}", e.round, e.bureau)));
        }
        let is_twice = e.outcomes[..at].iter().any(|other| other.item == *item);
        if is_twice || was_told(letter, facts, item, outcome.outcome) {
            return Err(
                facts.refuse(Reason::AlreadyRecorded, format!("{item} was answered before"))
            );
        }
        if outcome.outcome == Outcome::NoAnswer {
            not_before_due(facts, round, letter)?;
        }
        listing(case, facts, &e.bureau, item)?;
    }
    let mut after = case.clone();
    after.answered(e, next(facts));
    let mut events = one(e.clone());
    let items = e.outcomes.iter().map(|outcome| &outcome.item);
    events.extend(announced(case, &after, &e.bureau, items));
    Ok(events)
}

/// Whether an answer tells nothing: it was told of that day, or it notes that nothing came where something had.
fn was_told(letter: &LetterState, facts: &Facts<'_>, item: &ItemCode, outcome: Outcome) -> bool {
    letter.answers.iter().any(|answer| {
        let on = answer.moment.on();
        let mut of_item = answer.outcomes.iter().filter(|known| known.item == *item);
        of_item.any(|known| match (known.outcome == Outcome::NoAnswer, outcome) {
            (true, Outcome::NoAnswer) => true,
            (false, Outcome::NoAnswer) => on <= facts.on,
            (is_note, _) => !is_note && on == facts.on,
        })
    })
}

/// "No answer" is a result only once the reinvestigation's last day is over.
fn not_before_due(facts: &Facts<'_>, round: &Round, letter: &LetterState) -> Result<(), Refusal> {
    let transit = facts.firm.registered.as_ref().map_or(0, |firm| firm.transit_days);
    let due = letter.due_on(round.mark.on, transit);
    if facts.on <= due {
        return Err(Refusal::citing(
            Reason::DateImpossible,
            facts.subject(),
            format!("{} has until {due} to answer", letter.bureau),
            "15 USC 1681i(a)(1)",
        ));
    }
    Ok(())
}

/// The bureau's notice that a listing is back. It may come before anybody has told of the deletion.
pub(super) fn reinserted(
    case: &Case,
    facts: &Facts<'_>,
    e: &NoteReinsertion,
) -> Result<Vec<CaseEvent>, Refusal> {
    let known = listing(case, facts, &e.bureau, &e.item)?;
    if known.told.notices.iter().any(|notice| notice.on() == facts.on) {
        return Err(facts.refuse(Reason::AlreadyRecorded, "the notice was recorded before"));
    }
    Ok(one(ItemReinserted {
        bureau: e.bureau.clone(),
        item: e.item.clone(),
        seen_by: SeenBy::Notice,
    }))
}
