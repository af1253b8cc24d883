//! Which fees may be asked for, and why not the others. Nothing here changes anything.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

use api::requests::{self, FeeAsked, Page};
use api::scalar::{int32, int64};
use api::status::Failure;
use api::v1;
use calendar::CivilDate;
use domain::account::Account;
use domain::case::Case;
use domain::event::StreamId;
use domain::gates::Explanation;
use domain::ids::{AccountId, CaseId, FirmId};
use domain::judge::{Judge, JudgedFee, Matter};
use domain::money::Money;
use domain::refusal::{Reason, Refusal};
use domain::world::State;

use super::life::{Lives, claims_of};
use super::matter::OfFees;
use super::review::{review_due, said_of_review};
use crate::access::Authority;
use crate::case_ledger::told_first;
use crate::ledger::{Ledger, one_firm};
use crate::paging::{Pager, limit};
use crate::present::{self, fee};
use crate::reading::View;

/// Most cases folded at a time.
const CASES_PAGE: usize = 100;
/// Most cases judged for a page of fees of one answer; the page may then be short.
const CASES_JUDGED_MAX: usize = 1_000;

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
    let wanted = |explained: &Explanation| {
        page.filter.claimable.is_none_or(|claimable| claimable == explained.is_claimable())
    };
    let position = ledger.read_at(page.firm, page.at_least_position).await?;
    let primary = View::of_primary(ledger, authority);
    let named_by = Some(&primary);
    let mut found: Vec<Explanation> = Vec::new();
    let mut ends: HashMap<CaseId, CivilDate> = HashMap::new();
    // The case in which the page before ended may have more periods.
    let mut after = None;
    if let Some(start) = start {
        let cases =
            explain_cases(ledger, page.firm, &[start.case], page.filter.as_of, named_by).await?;
        found.extend(cases.into_iter().filter(|e| e.period.number > start.period && wanted(e)));
        after = Some((start.end, start.case));
        ends.insert(start.case, start.end);
    }
    let mut judged = 0;
    while found.len() < pager.rows() && judged < CASES_JUDGED_MAX {
        // Each of them has a period to show, unless fees are chosen by their gates.
        let cases = match page.filter.claimable {
            None => (pager.rows() - found.len()).min(CASES_PAGE),
            Some(_) => CASES_PAGE,
        };
        let cases = ledger
            .store()
            .cases_with_period_ended(page.firm, page.filter.as_of, after, limit(cases))
            .await?;
        judged += cases.len();
        let Some(last) = cases.last() else { break };
        after = Some((last.period_end, last.case_id));
        ends.extend(cases.iter().map(|row| (row.case_id, row.period_end)));
        let cases: Vec<CaseId> = cases.into_iter().map(|row| row.case_id).collect();
        let explained =
            explain_cases(ledger, page.firm, &cases, page.filter.as_of, named_by).await?;
        found.extend(explained.into_iter().filter(wanted));
    }
    let is_short = found.len() < pager.rows() && judged >= CASES_JUDGED_MAX;
    let next_page_token = match after.filter(|_| is_short) {
        // Every period of the last one that was judged.
        Some((end, case)) => pager.token(&format!("{end} {case} {}", u32::MAX)),
        None => pager.cut(&mut found, |last| {
            format!("{} {} {}", ends[&last.case], last.case, last.period.number)
        }),
    };
    let fees = found.iter().map(|explained| fee::claimable(page.firm, explained)).collect();
    let sums = if page.filter.with_sums {
        sums(ledger, page.firm, page.filter.as_of).await?
    } else {
        Vec::new()
    };
    let review_due = review_due(&primary, page.firm).await?;
    let position = int64(position);
    Ok(v1::ListClaimableResponse { fees, next_page_token, position, review_due, sums })
}

/// The fees that may be claimed and are revenue of days up to one, each by client and first day with its amount in minor
/// units. A period is over on the day after its last: what it earned may be asked for from then on, and is revenue of
/// its last day all the same.
pub(crate) async fn claimable_by(
    ledger: &Ledger,
    firm: FirmId,
    through: CivilDate,
    today: CivilDate,
) -> Result<BTreeMap<String, i64>, Failure> {
    let (mut found, mut after) = (BTreeMap::new(), None);
    let next = through.succ_opt().unwrap_or(through);
    let days: BTreeSet<CivilDate> = [through, next, today.max(through)].into();
    loop {
        let rows =
            ledger.store().cases_with_period_ended(firm, next, after, limit(CASES_PAGE)).await?;
        let Some(last) = rows.last() else { return Ok(found) };
        after = Some((last.period_end, last.case_id));
        let cases: Vec<CaseId> = rows.iter().map(|row| row.case_id).collect();
        for &day in &days {
            for explained in explain_cases(ledger, firm, &cases, day, None).await? {
                let is_of_days = explained.revenue_on <= through && explained.is_claimable();
                if let Some(amount) = explained.amount.filter(|_| is_of_days) {
                    let name = format!("fee {} {}", explained.case, explained.period.start);
                    found.insert(name, amount.minor());
                }
            }
        }
    }
}

/// Every period that is over and not billed, by what opens it.
async fn sums(ledger: &Ledger, firm: FirmId, as_of: CivilDate) -> Result<Vec<v1::FeeSum>, Failure> {
    let mut sums: BTreeMap<i32, (usize, Option<Money>)> = BTreeMap::new();
    let mut after = None;
    loop {
        let cases =
            ledger.store().cases_with_period_ended(firm, as_of, after, limit(CASES_PAGE)).await?;
        let Some(last) = cases.last() else { break };
        after = Some((last.period_end, last.case_id));
        let cases: Vec<CaseId> = cases.iter().map(|row| row.case_id).collect();
        for explained in explain_cases(ledger, firm, &cases, as_of, None).await? {
            let (fees, sum) = sums.entry(fee::opening(explained.opens()).into()).or_default();
            *fees += 1;
            if let Some(amount) = explained.amount {
                let before = sum.unwrap_or(Money::zero(amount.currency()));
                let with = before.plus(amount);
                *sum = Some(with.map_err(|_| Failure::internal("more than can be an amount"))?);
            }
        }
    }
    let sums = sums.into_iter().map(|(opening, (fees, sum))| v1::FeeSum {
        opening,
        fees: int32(fees),
        amount: sum.and_then(present::amount),
    });
    Ok(sums.collect())
}

/// Every open period that is over, of some cases, in the order of the cases. Where a view is given to read them by,
/// those that are claimable name the corrections that helped them through.
async fn explain_cases(
    ledger: &Ledger,
    firm_id: FirmId,
    ids: &[CaseId],
    as_of: CivilDate,
    named_by: Option<&View<'_>>,
) -> Result<Vec<Explanation>, Failure> {
    let streams: Vec<StreamId> = ids
        .iter()
        .flat_map(|id| [StreamId::Case(*id), StreamId::Account(id.own_account())])
        .chain([StreamId::Firm])
        .collect();
    let (position, mut states) = ledger.engine().states(firm_id, &streams).await?;
    let firm = one_firm(states.pop())?;
    let (cases, mut accounts) = sort(ids, states);
    let paying = accounts.values().filter_map(|account| account.moved_to);
    let claimed = cases.iter().flat_map(|(_, case)| case.earned.iter().map(|fee| fee.account));
    let others: BTreeSet<AccountId> =
        paying.chain(claimed).filter(|payer| !accounts.contains_key(payer)).collect();
    let payers: Vec<StreamId> = others.into_iter().map(StreamId::Account).collect();
    let payer_states = ledger.engine().states_at(firm_id, &payers, position).await?;
    for (stream, state) in payers.iter().zip(payer_states) {
        if let (StreamId::Account(id), State::Account(account)) = (stream, state) {
            accounts.insert(*id, Arc::unwrap_or_clone(account));
        }
    }
    let mut explained = Vec::new();
    let today = ledger.today(&firm);
    for (id, case) in &cases {
        let own = id.own_account();
        let payer = accounts.get(&own).and_then(|account| account.moved_to).unwrap_or(own);
        let others = case.earned.iter().map(|fee| fee.account).filter(|other| *other != payer);
        let known = |id: AccountId| Some((id, accounts.get(&id)?));
        let of_case: Vec<(AccountId, &Account)> =
            std::iter::once(payer).chain(others).filter_map(known).collect();
        if of_case.first().is_none_or(|(first, _)| *first != payer) {
            continue;
        }
        let matter = Matter { id: *id, case, accounts: &of_case, firm: &firm, today };
        let judge = Judge::of(matter);
        let first = explained.len();
        explained
            .extend(judge.open_periods(as_of).filter_map(|period| judge.explain(period, as_of)));
        let claimable = explained[first..].iter_mut().filter(|of| of.is_claimable());
        let claimable: Vec<&mut Explanation> = claimable.collect();
        if let Some(view) = named_by.filter(|_| !claimable.is_empty()) {
            let told_first = told_first(view, (firm_id, &firm), case).await?;
            for of in claimable {
                judge.name_corrections(of, &told_first);
            }
        }
    }
    Ok(explained)
}

/// Cases in the order asked for, and their own accounts by id.
fn sort(ids: &[CaseId], states: Vec<State>) -> (Vec<(CaseId, Case)>, HashMap<AccountId, Account>) {
    let (mut cases, mut accounts) = (Vec::new(), HashMap::new());
    let mut states = states.into_iter();
    for id in ids {
        if let (Some(State::Case(case)), Some(State::Account(account))) =
            (states.next(), states.next())
        {
            cases.push((*id, Arc::unwrap_or_clone(case)));
            accounts.insert(id.own_account(), Arc::unwrap_or_clone(account));
        }
    }
    (cases, accounts)
}
