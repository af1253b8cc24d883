//! What agreements promise and what is found of it, checked.

use domain::event::{
    FoundResult, ListingCorrected, ListingDeleted, PromisedResult, ScoreRaised, Showing,
};
use domain::value::{Personal, Text};

use crate::case_action::{bureau, item};
use crate::field::Fields;
use crate::v1;

pub(crate) fn promised(f: &mut Fields, m: &v1::PromisedResult) -> Option<PromisedResult> {
    let words = f.parse("words", &m.words, Personal::parse);
    let showing = match &m.showing {
        Some(showing) => shown(f, showing).map(Some),
        None => Some(None),
    };
    Some(PromisedResult { showing: showing?, words: words? })
}

fn shown(f: &mut Fields, showing: &v1::promised_result::Showing) -> Option<Showing> {
    use v1::promised_result::Showing as S;
    let mut shown = Showing::default();
    match showing {
        S::Deletion(m) => shown.deleted = Some(f.within("deletion", |f| deletion(f, m))?),
        S::Correction(m) => shown.corrected = Some(f.within("correction", |f| correction(f, m))?),
        S::Score(m) => shown.score = Some(f.within("score", |f| score(f, m))?),
        S::Deletions(count) => {
            shown.deletions = Some(f.number("deletions", *count, 1..=u32::from(u16::MAX))?);
        }
    }
    Some(shown)
}

fn deletion(f: &mut Fields, m: &v1::PromisedDeletion) -> Option<ListingDeleted> {
    let (bureau, item) = (bureau(f, &m.bureau), item(f, &m.item));
    Some(ListingDeleted { bureau: bureau?, item: item? })
}

fn correction(f: &mut Fields, m: &v1::PromisedCorrection) -> Option<ListingCorrected> {
    let (bureau, item) = (bureau(f, &m.bureau), item(f, &m.item));
    let balance = f.money("balance", m.balance.as_ref());
    Some(ListingCorrected { balance: balance?, bureau: bureau?, item: item? })
}

fn score(f: &mut Fields, m: &v1::PromisedScore) -> Option<ScoreRaised> {
    let bureau = bureau(f, &m.bureau);
    let model = f.parse("model", &m.model, Text::line);
    let at_least = f.number("at_least", m.at_least, 1..=u16::MAX);
    Some(ScoreRaised { at_least: at_least?, bureau: bureau?, model: model? })
}

pub(crate) fn found(f: &mut Fields, m: &v1::FoundResult) -> Option<FoundResult> {
    let (bureau, item) = (bureau(f, &m.bureau), item(f, &m.item));
    let report_on = f.date("report_date", m.report_date.as_ref());
    let promise = match m.promise {
        Some(number) => f.number("promise", number, 1..=u32::from(u16::MAX)).map(Some),
        None => Some(None),
    };
    Some(FoundResult { bureau: bureau?, item: item?, promise: promise?, report_on: report_on? })
}
