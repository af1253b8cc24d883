//! What the firm is exposed by. The rows say where, the clients' facts what, as far as both had come by then.

use std::collections::HashMap;

use api::Paired as _;
use api::requests;
use api::scalar::{int32, int64};
use api::status::Failure;
use api::{name, v1};
use domain::account::{Account, Payment};
use domain::case::FeeMark;
use domain::event::ExposureKind;
use domain::ids::{FirmId, ProcessorRef};
use domain::judge::Judge;
use store::Source;

use super::list::named;
use crate::access::Authority;
use crate::billing::{Matters, OneMatter, review_due};
use crate::paging::Pager;
use crate::present::against_law::AgainstLaw;
use crate::present::case::standing;
use crate::present::{amount, day, fee, reference};
use crate::reading::View;

pub(super) async fn list(
    view: &View<'_>,
    authority: &Authority,
    message: &v1::ListExposuresRequest,
) -> Result<v1::ListExposuresResponse, Failure> {
    view.ledger().check_name(authority, &message.parent).await?;
    let page = requests::list_exposures(message)?;
    let (pager, after) = Pager::open_at(view.ledger(), "ListExposures", &page, |key| {
        let (day, position) = key.split_once(' ')?;
        Some((day.parse().ok()?, position.parse().ok()?))
    })?;
    let applied = view.read_at(page.firm, page.at_least_position).await?;
    let wanted = (page.filter.case, page.filter.kind);
    let found = view.store().list_exposures(page.firm, wanted, after, pager.limit()).await?;
    let (mut rows, position) = (found.rows, found.position.unwrap_or(applied));
    let next_page_token = pager.cut(&mut rows, |row| format!("{} {}", row.found_on, row.position));
    let cases = rows.iter().map(|row| row.case_id);
    let matters = Matters::read(view, page.firm, cases, position).await?;
    let mut found: HashMap<_, OfClient> = HashMap::new();
    for of in matters.each() {
        found.insert(of.id, of_client(page.firm, &of, matters.own_account(of.id)?));
    }
    let exposures = rows.iter().map(|row| {
        let of = found.get_mut(&row.case_id);
        named(of.and_then(|of| of.remove(&(row.source, int64(row.position)))))
    });
    let exposures = exposures.collect::<Result<_, Failure>>()?;
    let review_due = review_due(view, page.firm, position).await?;
    let position = int64(position);
    Ok(v1::ListExposuresResponse { exposures, next_page_token, position, review_due })
}

/// What a client is exposed by, under the stream and the position of the event that found it.
type OfClient = HashMap<(Source, i64), v1::Exposure>;

fn of_client(firm: FirmId, of: &OneMatter<'_>, account: &Account) -> OfClient {
    let judge = of.judge();
    let payments = account.payments.iter().filter(|(_, payment)| payment.unearned.is_positive());
    let payments = payments.map(|(name, paid)| of_payment(firm, &judge, of, (account, name, paid)));
    let of_case = acts(firm, of, &judge).chain(fees(firm, of, &judge));
    let under = |source| {
        move |exposure: v1::Exposure| {
            let at = exposure.event.as_ref().map_or(0, |event| event.position);
            ((source, at), exposure)
        }
    };
    of_case.map(under(Source::Case)).chain(payments.map(under(Source::Account))).collect()
}

/// What was done against a rule, and whether it was put right.
fn acts(firm: FirmId, of: &OneMatter<'_>, judge: &Judge<'_>) -> impl Iterator<Item = v1::Exposure> {
    let (standing, against) = (standing(of.case), AgainstLaw::of(judge));
    of.case.exposures.iter().map(move |seen| v1::Exposure {
        case: name::case(firm, of.id),
        kind: v1::ExposureKind::from_domain(seen.found.kind).into(),
        amount: seen.found.amount.and_then(amount),
        period: seen.found.period.map(int32),
        citation: seen.found.cites.to_string(),
        found_on: day(seen.mark.on),
        event: Some(reference(&seen.mark.at)),
        put_right: !standing.contains(&seen.mark.at.position)
            || against.put_right(seen.found.kind, seen.mark.on),
        details: against.details(seen.found.kind, seen.mark.on),
        ..v1::Exposure::default()
    })
}

/// Claimed fees that nothing allowed, or not all of, as they are judged now; and as it was marked last what is judged to be
/// allowed by now.
fn fees(firm: FirmId, of: &OneMatter<'_>, judge: &Judge<'_>) -> impl Iterator<Item = v1::Exposure> {
    let judged = fee::exposures(firm, (of.id, of.case), judge);
    let is_judged = |marked: &FeeMark| {
        let is_it = |exposure: &v1::Exposure| exposure.event == Some(reference(&marked.mark.at));
        judged.iter().any(is_it)
    };
    let marked = of.case.marks.values().filter(|marked| marked.said.exposed.is_positive());
    let allowed = marked.filter(|marked| !is_judged(marked)).map(|marked| v1::Exposure {
        case: name::case(firm, of.id),
        kind: v1::ExposureKind::from_domain(ExposureKind::FeeAskedUnearned).into(),
        amount: amount(marked.said.exposed),
        period: of
            .case
            .earned
            .iter()
            .find(|fee| fee.mark.at.position == marked.said.fee.position)
            .map(|fee| int32(fee.period)),
        citation: ExposureKind::cites_of_fee(&marked.said.gates).to_owned(),
        found_on: day(marked.since.on),
        event: Some(reference(&marked.mark.at)),
        put_right: true,
        ..v1::Exposure::default()
    });
    let allowed: Vec<v1::Exposure> = allowed.collect();
    judged.into_iter().chain(allowed)
}

/// Money that was taken for nothing earned, what of it is owed now, and what was asked back.
fn of_payment(
    firm: FirmId,
    judge: &Judge<'_>,
    of: &OneMatter<'_>,
    (account, name, payment): (&Account, &ProcessorRef, &Payment),
) -> v1::Exposure {
    let left = payment.unearned_left;
    let waiting = account.refund_waiting(name).map(|(_, asked)| asked.amount);
    let back = judge.money_back(payment.mark.on).filter(|_| left.is_positive());
    v1::Exposure {
        case: name::case(firm, of.id),
        account: name::account(firm, of.id.own_account()),
        kind: v1::ExposureKind::from_domain(ExposureKind::PaymentUnearned).into(),
        amount: amount(payment.unearned),
        citation: ExposureKind::PaymentUnearned.cites().to_owned(),
        found_on: day(payment.mark.on),
        event: Some(reference(&payment.mark.at)),
        owed: amount(left),
        asked_back: waiting.and_then(|asked| amount(asked.min(left))),
        return_by: back.as_ref().and_then(|back| day(back.by)),
        return_citation: back.map(|back| back.cites.to_string()).unwrap_or_default(),
        ..v1::Exposure::default()
    }
}
