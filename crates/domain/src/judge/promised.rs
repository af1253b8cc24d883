//! Whether promised results were achieved, and reports issued more than six months after them still show them
//! (16 CFR 310.4(a)(2)(ii)).

use std::fmt;

use calendar::{CivilDate, telemarketing_report_from};

use super::because::{Because, Ruling};
use super::gates::Asking;
use super::story::Standing;
use crate::case::{Achieved, Achievement, Finding, Listing, Mark, ReportSeen, Reports};
use crate::event::{FoundResult, ListingCorrected, ListingDeleted, ScoreRaised, Showing};
use crate::gates::Opens;
use crate::ids::BureauCode;

/// An event that shows a result, and the day from which it does: of a report the day of its issue.
pub(super) struct Shown<'a> {
    pub(super) mark: &'a Mark,
    pub(super) on: CivilDate,
}

type Proof<'a> = Result<Vec<Shown<'a>>, Ruling<'a>>;

/// What a report, or an answer, says of a promised value.
struct Said<'a> {
    on: CivilDate,
    mark: &'a Mark,
    says: Says,
}

#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Says {
    /// A bureau's answer says that it is so.
    Answered,
    /// A report shows it.
    Shows,
    /// A report shows something else.
    ShowsOther,
}

impl<'a> Asking<'_, 'a> {
    /// Each promised result is matched by a result and a later report that still shows it.
    pub(super) fn promises_kept(
        &self,
        standing: &Standing<'a>,
        promised: &'a [Showing],
    ) -> Proof<'a> {
        let mut shown = Vec::new();
        for (at, showing) in promised.iter().enumerate() {
            let promise = Promise { number: at + 1, showing };
            shown.extend(self.promise_kept(standing, promise)?);
        }
        Ok(shown)
    }

    fn promise_kept(&self, standing: &Standing<'a>, promise: Promise<'a>) -> Proof<'a> {
        let Showing { corrected, deleted, deletions, score } = promise.showing;
        if let Some(deleted) = deleted {
            self.deleted(promise, deleted)
        } else if let Some(corrected) = corrected {
            value(promise, self.said_of_balance(corrected))
        } else if let Some(score) = score {
            value(promise, self.said_of_score(score))
        } else if let Some(count) = deletions {
            self.deletions(promise, *count)
        } else {
            self.found_of(standing, promise)
        }
    }

    fn deleted(&self, promise: Promise<'a>, deleted: &ListingDeleted) -> Proof<'a> {
        let key = (deleted.item.clone(), deleted.bureau.clone());
        let listing = self.judge.matter.case.listings.get(&key);
        let result = listing.and_then(|listing| self.deletion_of(listing));
        let result = result.ok_or_else(|| promise.open())?;
        Ok(vec![self.shown(result).ok_or_else(|| promise.not_shown(&result.since))?])
    }

    fn deletions(&self, promise: Promise<'a>, count: u32) -> Proof<'a> {
        let listings = self.judge.matter.case.listings.values();
        let results: Vec<&'a Achieved> =
            listings.filter_map(|listing| self.deletion_of(listing)).collect();
        let wanted = usize::try_from(count).unwrap_or(usize::MAX);
        if results.len() < wanted {
            return Err(promise.open());
        }
        let mut shown: Vec<Shown<'a>> =
            results.iter().filter_map(|result| self.shown(result)).collect();
        if shown.len() < wanted {
            let unshown = results.iter().filter(|result| self.shown(result).is_none());
            let mut waiting: Vec<&Mark> = unshown.map(|result| &result.since).collect();
            waiting.sort_by_key(|since| since.on);
            return Err(promise.not_shown(waiting[wanted - shown.len() - 1]));
        }
        shown.sort_by_key(|shown| (shown.on, shown.mark.at.position));
        shown.truncate(wanted);
        Ok(shown)
    }

    fn deletion_of(&self, listing: &'a Listing) -> Option<&'a Achieved> {
        let mut results = listing.results.iter();
        results.find(|r| r.what == Achievement::Deleted && r.stood_on(self.on))
    }

    fn shown(&self, result: &'a Achieved) -> Option<Shown<'a>> {
        let mark = result.shown.as_ref().filter(|mark| mark.on <= self.on)?;
        Some(Shown { mark, on: mark.on })
    }

    fn reports(&self, bureau: &BureauCode) -> impl Iterator<Item = &'a ReportSeen> {
        let reports = self.judge.matter.case.reports.get(bureau).into_iter();
        reports.flat_map(Reports::all).filter(|report| report.issued_on <= self.on)
    }

    fn said_of_balance(&self, promised: &ListingCorrected) -> Vec<Said<'a>> {
        let reports = self.reports(&promised.bureau).filter(|report| report.has_values);
        let seen = reports.filter_map(|report| {
            let balance = report.item(&promised.item)?.balance;
            Some(said(report, balance == Some(promised.balance)))
        });
        let key = (promised.item.clone(), promised.bureau.clone());
        let listing = self.judge.matter.case.listings.get(&key);
        let answers = listing.into_iter().flat_map(|listing| &listing.results);
        let answers = answers
            .filter(|r| r.what == Achievement::Corrected && r.since.on <= self.on)
            .map(|r| Said { on: r.since.on, mark: &r.since, says: Says::Answered });
        seen.chain(answers).collect()
    }

    fn said_of_score(&self, promised: &ScoreRaised) -> Vec<Said<'a>> {
        let seen = self.reports(&promised.bureau).filter_map(|report| {
            let score = report.score.as_ref().filter(|score| score.model == promised.model)?;
            Some(said(report, score.value >= promised.at_least))
        });
        seen.collect()
    }

    /// What was promised in words alone is what a person found of it.
    fn found_of(&self, standing: &Standing<'a>, promise: Promise<'a>) -> Proof<'a> {
        let is_of = |found: &&FoundResult| {
            found.promise.and_then(|number| usize::try_from(number).ok()) == Some(promise.number)
        };
        let about = |finding: &&Finding| finding.found.iter().any(|found| is_of(&found));
        let findings = self.findings(standing).filter(about);
        let proof = self.best_of(findings, |found| is_of(&found));
        proof.unwrap_or_else(|| {
            Err(Ruling::fails(Because::PromiseNotFound { number: promise.number }, Opens::PutRight))
        })
    }

    /// What a person found of an agreement without a list; nothing if nobody did.
    pub(super) fn found(&self, standing: &Standing<'a>) -> Option<Proof<'a>> {
        self.best_of(self.findings(standing), |_| true)
    }

    /// The findings about an agreement by the day of asking.
    fn findings(&self, standing: &Standing<'a>) -> impl Iterator<Item = &'a Finding> {
        let agreement = standing.agreement.signed.mark.at.id;
        let findings = self.judge.matter.case.findings.iter();
        findings.filter(move |f| f.agreement.id == agreement && f.moment.on() <= self.on)
    }

    /// Of the findings whose evidence holds the one whose reports came first; what is wrong with the last if none's
    /// does.
    fn best_of(
        &self,
        findings: impl Iterator<Item = &'a Finding>,
        is_asked: impl Fn(&FoundResult) -> bool,
    ) -> Option<Proof<'a>> {
        let proofs: Vec<Proof<'a>> = findings
            .map(|finding| {
                let named = finding.found.iter().filter(|found| is_asked(found));
                let mut shown =
                    named.map(|found| self.evidence_of(finding, found)).collect::<Proof<'a>>()?;
                shown.sort_by_key(|shown| std::cmp::Reverse(shown.on));
                let first = shown.first().map_or(CivilDate::MIN, |latest| latest.on);
                shown.push(Shown { mark: &finding.moment.mark, on: first });
                Ok(shown)
            })
            .collect();
        let (good, bad): (Vec<_>, Vec<_>) = proofs.into_iter().partition(Result::is_ok);
        let latest = |proof: &Proof<'a>| proof.as_ref().ok().and_then(|s| Some(s.first()?.on));
        good.into_iter().min_by_key(latest).or(bad.into_iter().next_back())
    }

    /// The named result stands, and the named report came late enough.
    fn evidence_of(
        &self,
        finding: &'a Finding,
        found: &'a FoundResult,
    ) -> Result<Shown<'a>, Ruling<'a>> {
        let by = &finding.moment.mark;
        let listing =
            self.judge.matter.case.listings.get(&(found.item.clone(), found.bureau.clone()));
        let mut results = listing.into_iter().flat_map(|listing| &listing.results);
        let Some(result) = results.find(|result| result.stood_on(self.on)) else {
            return Err(Ruling::fails(Because::FoundNotThere { by, found }, Opens::PutRight));
        };
        let mut reports = self.reports(&found.bureau);
        let Some(report) = reports.find(|report| report.issued_on == found.report_on) else {
            return Err(Ruling::fails(Because::FoundNotThere { by, found }, Opens::PutRight));
        };
        let from = telemarketing_report_from(result.since.on);
        if report.issued_on < from {
            let because = Because::NotShown { result: &result.since, from };
            return Err(Ruling::fails(because, Opens::Wait { until: from }));
        }
        Ok(Shown { mark: &report.moment.mark, on: report.issued_on })
    }
}

/// A value counts from the answer that says so or from the first report that shows it after one that did not,
/// and as long as no report shows another.
fn value<'a>(promise: Promise<'a>, mut said: Vec<Said<'a>>) -> Proof<'a> {
    said.sort_by_key(|said| (said.on, said.says, said.mark.at.position));
    let (mut result, mut shown, mut was_other) = (None::<&Said<'a>>, None, false);
    for said in &said {
        match (said.says, result) {
            (Says::Answered, None) => result = Some(said),
            (Says::Shows, None) if was_other => result = Some(said),
            (Says::Shows, Some(since)) => {
                if shown.is_none() && said.on >= telemarketing_report_from(since.on) {
                    shown = Some(Shown { mark: said.mark, on: said.on });
                }
            }
            (Says::ShowsOther, _) => {
                (result, shown) = (None, None);
                was_other = true;
            }
            (Says::Answered, Some(_)) | (Says::Shows, None) => {}
        }
    }
    let result = result.ok_or_else(|| promise.open())?;
    let shown = shown.ok_or_else(|| promise.not_shown_since(result.mark, result.on))?;
    Ok(vec![Shown { mark: result.mark, on: result.on }, shown])
}

fn said(report: &ReportSeen, shows: bool) -> Said<'_> {
    let says = if shows { Says::Shows } else { Says::ShowsOther };
    Said { on: report.issued_on, mark: &report.moment.mark, says }
}

/// A result on an agreement's list.
#[derive(Clone, Copy)]
pub(super) struct Promise<'a> {
    /// Counted from 1.
    pub(super) number: usize,
    pub(super) showing: &'a Showing,
}

impl<'a> Promise<'a> {
    fn open(self) -> Ruling<'a> {
        Ruling::fails(Because::PromiseOpen(self), Opens::PutRight)
    }

    fn not_shown(self, result: &'a Mark) -> Ruling<'a> {
        self.not_shown_since(result, result.on)
    }

    fn not_shown_since(self, result: &'a Mark, on: CivilDate) -> Ruling<'a> {
        let from = telemarketing_report_from(on);
        let because = Because::PromiseNotShown { promise: self, result, on, from };
        Ruling::fails(because, Opens::Wait { until: from })
    }
}

impl fmt::Display for Promise<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "promised result {}", self.number)?;
        let Showing { corrected, deleted, deletions, score } = self.showing;
        if let Some(ListingDeleted { bureau, item }) = deleted {
            write!(f, " ({item} at {bureau} deleted)")?;
        }
        if let Some(ListingCorrected { balance, bureau, item }) = corrected {
            write!(f, " ({item} at {bureau} corrected to {balance})")?;
        }
        if let Some(ScoreRaised { at_least, bureau, model }) = score {
            write!(f, " ({model} score at {bureau} of {at_least} or more)")?;
        }
        match deletions {
            Some(1) => f.write_str(" (a deletion)"),
            Some(count) => write!(f, " ({count} deletions)"),
            None => Ok(()),
        }
    }
}
