//! Which fees may be asked for, and why not the others. Nothing here changes anything.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use api::requests::{self, FeeAsked, Page};
use api::scalar::{int32, int64};
use api::status::Failure;
use api::v1;
use calendar::CivilDate;
use domain::event::StreamId;
use domain::gates::Explanation;
use domain::ids::{CaseId, FirmId};
use domain::judge::{Judge, JudgedFee};
use domain::money::Money;
use domain::refusal::{Reason, Refusal};
use store::PeriodEnded;

use super::life::{Lives, claims_of};
use super::matter::{Matters, OfFees};
use super::review::{review_due, said_of_review};
use crate::access::Authority;
use crate::case_ledger::told_first;
use crate::ledger::Ledger;
use crate::paging::{Pager, limit};
use crate::present::{self, fee};
use crate::reading::View;

/// Most cases folded at a time.
const CASES_PAGE: usize = 100;
/// Most cases judged for a page of fees of one answer, which may then be short, and for the sums beside it.
const CASES_JUDGED_MAX: usize = 1_000;
/// Most cases with a period that is over and not billed with which a month may be closed.
const CASES_CLOSED_MAX: usize = 10_000;

pub(super) async fn explain_fee(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::ExplainFeeRequest,
) -> Result<v1::ExplainFeeResponse, Failure> {
    ledger.check_name(authority, &message.name).await?;
    let FeeAsked { get, period, as_of, claim } = requests::explain_fee(message)?;
    // Gates are judged by the primary alone: what is explained here is what a claim would meet.
    let primary = View::of_primary(ledger, authority);
    let matter = OfFees::read(&primary, get.firm, get.id, get.at_least_position).await?;
    if matter.case.enrolment.is_none() {
        return Err(Failure::NotFound { resource_type: "Case", name: message.name.clone() });
    }
    let accounts = matter.accounts();
    let judge = matter.judge(&accounts);
    let told_first = told_first(&primary, (get.firm, &matter.firm), &matter.case).await?;
    let mut claims = claims_of(&judge, period);
    let explained = judge.explain(period, as_of.unwrap_or(matter.today));
    let named = match claim {
        Some(position) => Some(claimed_at(&judge, position).ok_or_else(|| {
            let what = format!("a fee of this client that was claimed at position {position}");
            Failure::from(Refusal::new(Reason::ReferenceUnknown, StreamId::Case(get.id), what))
        })?),
        None => standing_or_left(&judge, &claims, explained.as_ref(), period),
    };
    let number = if claim.is_some() { None } else { Some(period) };
    let mut explanation = match (named, explained) {
        (Some(judged), _) => {
            if !claims.contains(&judged) {
                claims.push(judged.clone());
            }
            let number = number.unwrap_or(judged.fee.period);
            fee::claimed(get.firm, &judge, &judged, number, &told_first)
        }
        (None, Some(mut explained)) => {
            judge.name_corrections(&mut explained, &told_first);
            fee::explanation(get.firm, &judge, &explained)
        }
        (None, None) => return Err(no_period(get.id, period)),
    };
    let lives = Lives::read(&primary, get.firm, get.id, &claims, matter.position).await?;
    for judged in &claims {
        explanation.claims.push(lives.of(get.firm, judged)?);
    }
    let position = int64(matter.position);
    let review_due = said_of_review(&matter.firm, !matter.case.earned.is_empty());
    Ok(v1::ExplainFeeResponse { explanation: Some(explanation), position, review_due })
}

fn claimed_at<'a>(judge: &Judge<'a>, position: u64) -> Option<JudgedFee<'a>> {
    judge.fees().find(|judged| judged.fee.mark.at.position == position)
}

/// The claimed fee that a number is about. A period is known by its days: what was claimed as the first may stand for
/// the second by now. Where no fee stands for the period, it is one that was claimed under the number and stands for
/// none by now, unless it was given back and left its period free.
fn standing_or_left<'a>(
    judge: &Judge<'a>,
    claims: &[JudgedFee<'a>],
    explained: Option<&Explanation>,
    number: u32,
) -> Option<JudgedFee<'a>> {
    if let Some(earned) = explained.and_then(|explained| explained.earned.as_ref()) {
        return judge.fees().find(|judged| judged.fee.mark == *earned);
    }
    let mut under = claims.iter().rev().filter(|judged| judged.fee.period == number);
    let is_left = |judged: &&JudgedFee<'a>| {
        let is_kept = judged.given_back.minor() < judged.fee.amount.minor();
        explained.is_none() || is_kept && judge.stands_for(judged).is_none()
    };
    under.find(is_left).cloned()
}

/// The refusal that `ClaimFee` gives for the same period.
fn no_period(case: CaseId, period: u32) -> Failure {
    let detail = format!("there is no period {period}");
    Refusal::new(Reason::ReferenceUnknown, StreamId::Case(case), detail).into()
}

/// Where a page of claimable fees begins: after a period of a case, whose first open one ended on a
/// day.
#[derive(Clone, Copy)]
struct After {
    end: CivilDate,
    case: CaseId,
    period: u32,
}

impl After {
    fn read(key: &str) -> Option<Self> {
        let mut words = key.split(' ');
        let (end, case, period) = (words.next()?, words.next()?, words.next()?);
        Some(Self {
            end: end.parse().ok()?,
            case: CaseId::parse(case).ok()?,
            period: period.parse().ok()?,
        })
    }
}

pub(super) async fn list_claimable(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::ListClaimableRequest,
) -> Result<v1::ListClaimableResponse, Failure> {
    ledger.check_name(authority, &message.parent).await?;
    let page = requests::list_claimable(message)?;
    // Whatever is summed beside it, it is the same list.
    let bound = Page {
        filter: (page.filter.as_of, page.filter.claimable),
        firm: page.firm,
        size: page.size,
        token: page.token.clone(),
        at_least_position: 0,
    };
    let (pager, start) = Pager::open_at(ledger, "ListClaimable", &bound, After::read)?;
    let view = View::of_primary(ledger, authority);
    let position = ledger.read_at(page.firm, page.at_least_position).await?;
    let as_of = page.filter.as_of;
    let mut list = Claimable { view: &view, filter: page.filter, found: Vec::new() };
    let mut ends: HashMap<CaseId, CivilDate> = HashMap::new();
    // The case in which the page before ended may have more periods.
    let mut after = None;
    if let Some(start) = start {
        let matters = Matters::read(&view, page.firm, [start.case], position).await?;
        list.add(page.firm, &matters, [start.case], |number| number > start.period).await?;
        after = Some((start.end, start.case));
        ends.insert(start.case, start.end);
    }
    let mut judged = 0;
    while list.found.len() < pager.rows() && judged < CASES_JUDGED_MAX {
        // Each of them has a period to show, unless fees are chosen by their gates.
        let cases = match page.filter.claimable {
            None => (pager.rows() - list.found.len()).min(CASES_PAGE),
            Some(_) => CASES_PAGE,
        };
        let Some(ended) = Ended::read(&view, page.firm, as_of, after, cases).await? else { break };
        judged += ended.rows.len();
        after = ended.last();
        ends.extend(ended.rows.iter().map(|row| (row.case_id, row.period_end)));
        list.add(page.firm, &ended.matters, ended.cases(), |_| true).await?;
    }
    let mut found = list.found;
    let is_short = found.len() < pager.rows() && judged >= CASES_JUDGED_MAX;
    let next_page_token = match after.filter(|_| is_short) {
        // Every period of the last one that was judged.
        Some((end, case)) => pager.token(&format!("{end} {case} {}", u32::MAX)),
        None => pager.cut(&mut found, |last| {
            format!("{} {} {}", ends[&last.case], last.case, last.period.number)
        }),
    };
    let fees = found.iter().map(|explained| fee::claimable(page.firm, explained)).collect();
    let mut answer = v1::ListClaimableResponse { fees, next_page_token, ..Default::default() };
    if page.filter.with_sums {
        (answer.sums, answer.sums_incomplete) = sums(&view, page.firm, as_of).await?;
    }
    answer.review_due = review_due(&view, page.firm, position).await?;
    answer.position = int64(position);
    Ok(answer)
}

/// Cases with a period that is over, and all that their fees are judged by where the rows were read.
struct Ended {
    rows: Vec<PeriodEnded>,
    matters: Matters,
}

impl Ended {
    /// Some of them; nothing at the end.
    async fn read(
        view: &View<'_>,
        firm: FirmId,
        as_of: CivilDate,
        after: Option<(CivilDate, CaseId)>,
        cases: usize,
    ) -> Result<Option<Self>, Failure> {
        let found = view.store().cases_with_period_ended(firm, as_of, after, limit(cases)).await?;
        let Some(position) = found.position else { return Ok(None) };
        let cases = found.rows.iter().map(|row| row.case_id);
        let matters = Matters::read(view, firm, cases, position).await?;
        Ok(Some(Self { rows: found.rows, matters }))
    }

    fn last(&self) -> Option<(CivilDate, CaseId)> {
        self.rows.last().map(|last| (last.period_end, last.case_id))
    }

    /// In the order of the rows.
    fn cases(&self) -> Vec<CaseId> {
        self.rows.iter().map(|row| row.case_id).collect()
    }
}

/// A page in the making.
struct Claimable<'a> {
    view: &'a View<'a>,
    filter: requests::ClaimableAsked,
    found: Vec<Explanation>,
}

impl Claimable<'_> {
    /// Adds the open periods of cases that are over and wanted; those that are claimable name the corrections that
    /// helped them through.
    async fn add(
        &mut self,
        firm: FirmId,
        matters: &Matters,
        cases: impl IntoIterator<Item = CaseId> + Send,
        is_of: impl Fn(u32) -> bool + Send,
    ) -> Result<(), Failure> {
        let requests::ClaimableAsked { as_of, claimable, .. } = self.filter;
        let cases: Vec<CaseId> = cases.into_iter().collect();
        for case in cases {
            let of = matters.of(case)?;
            let judge = of.judge();
            let mut explained: Vec<Explanation> = open(&judge, as_of)
                .filter(|explained| is_of(explained.period.number))
                .filter(|explained| claimable.is_none_or(|is| is == explained.is_claimable()))
                .collect();
            let named = explained.iter_mut().filter(|explained| explained.is_claimable());
            let named: Vec<&mut Explanation> = named.collect();
            if !named.is_empty() {
                let told_first = told_first(self.view, (firm, &matters.firm), of.case).await?;
                for explained in named {
                    judge.name_corrections(explained, &told_first);
                }
            }
            self.found.extend(explained);
        }
        Ok(())
    }
}

/// The periods of a case that are over by a day and not billed.
fn open(judge: &Judge<'_>, as_of: CivilDate) -> impl Iterator<Item = Explanation> {
    judge.open_periods(as_of).filter_map(move |period| judge.explain(period, as_of))
}

/// The fees that may be claimed and are revenue of days up to one, each by client and first day with its amount in minor
/// units. A period is over on the day after its last: what it earned may be asked for from then on, and is revenue of
/// its last day all the same.
pub(crate) async fn claimable_by(
    view: &View<'_>,
    firm: FirmId,
    through: CivilDate,
    today: CivilDate,
) -> Result<BTreeMap<String, i64>, Failure> {
    let (mut found, mut after, mut judged) = (BTreeMap::new(), None, 0);
    let next = through.succ_opt().unwrap_or(through);
    let days: BTreeSet<CivilDate> = [through, next, today.max(through)].into();
    while let Some(ended) = Ended::read(view, firm, next, after, CASES_PAGE).await? {
        judged += ended.rows.len();
        if judged > CASES_CLOSED_MAX {
            return Err(Failure::Unready {
                reason: "FEES_UNBILLED",
                what: "more than 10,000 clients have a period that is over and not billed: bill it, or give it up, before \
                       the month is closed",
            });
        }
        after = ended.last();
        for of in ended.matters.each() {
            let judge = of.judge();
            for explained in days.iter().flat_map(|day| open(&judge, *day)) {
                let is_of_days = explained.revenue_on <= through && explained.is_claimable();
                if let Some(amount) = explained.amount.filter(|_| is_of_days) {
                    let name = format!("fee {} {}", explained.case, explained.period.start);
                    found.insert(name, amount.minor());
                }
            }
        }
    }
    Ok(found)
}

/// Periods that are over and not billed, by what opens them, and whether there are clients beyond those that were judged.
async fn sums(
    view: &View<'_>,
    firm: FirmId,
    as_of: CivilDate,
) -> Result<(Vec<v1::FeeSum>, bool), Failure> {
    let mut sums: BTreeMap<i32, (usize, Option<Money>)> = BTreeMap::new();
    let (mut after, mut judged) = (None, 0);
    while judged < CASES_JUDGED_MAX
        && let Some(ended) = Ended::read(view, firm, as_of, after, CASES_PAGE).await?
    {
        judged += ended.rows.len();
        after = ended.last();
        for of in ended.matters.each() {
            for explained in open(&of.judge(), as_of) {
                let (fees, sum) = sums.entry(fee::opening(explained.opens()).into()).or_default();
                *fees += 1;
                if let Some(amount) = explained.amount {
                    let before = sum.unwrap_or(Money::zero(amount.currency()));
                    let with = before.plus(amount);
                    *sum = Some(with.map_err(|_| Failure::internal("more than can be an amount"))?);
                }
            }
        }
    }
    let sums = sums.into_iter().map(|(opening, (fees, sum))| v1::FeeSum {
        opening,
        fees: int32(fees),
        amount: sum.and_then(present::amount),
    });
    let sums = sums.collect();
    let is_incomplete = judged >= CASES_JUDGED_MAX
        && !view.store().cases_with_period_ended(firm, as_of, after, 1).await?.rows.is_empty();
    Ok((sums, is_incomplete))
}
