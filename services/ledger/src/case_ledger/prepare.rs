//! Holding an agreement against the law before it is signed.

use api::firm_action::adopted_message;
use api::requests::{self, Preparing};
use api::scalar::{int32, int64};
use api::status::Failure;
use api::v1;
use domain::event::{ExposureKind, StreamId};
use domain::firm::{Place, Prepared};
use domain::refusal::{Reason, Refusal, Violation};

use crate::access::Authority;
use crate::ledger::{one_case, one_firm};
use crate::present::day;
use crate::reading::View;

pub(super) async fn prepare_agreement(
    view: &View<'_>,
    authority: &Authority,
    message: &v1::PrepareAgreementRequest,
) -> Result<v1::PrepareAgreementResponse, Failure> {
    view.ledger().check_name(authority, &message.name).await?;
    let Preparing { get, on, items, activity, plan, languages } =
        requests::prepare_agreement(message)?;
    let streams = [StreamId::Case(get.id), StreamId::Firm];
    let (position, mut states) = view.states(get.firm, &streams, get.at_least_position).await?;
    let firm = one_firm(states.pop())?;
    let case = one_case(states)?;
    let on = on.unwrap_or_else(|| view.ledger().today(&firm));
    let enrolled = case.enrolment.as_ref().zip(case.contact_on(on));
    let Some((enrolment, lived)) = enrolled else {
        return Err(Failure::NotFound { resource_type: "Case", name: message.name.clone() });
    };
    let code = plan.as_ref().unwrap_or(&enrolment.plan);
    let Some(terms) = firm.plan_on(code, on).and_then(|plan| plan.terms(enrolment.seat)) else {
        let detail = format!("the plan {code} is not offered to this client");
        return Err(Refusal::new(Reason::StateRefuses, StreamId::Case(get.id), detail).into());
    };
    let place = Place::of(lived.contact.address.state, Some(&activity));
    let languages = languages.as_ref();
    let mut against =
        firm.objections(Prepared { place, terms: &terms, items: &items, languages }, on);
    against.extend(case.died_on().filter(|died| *died < on).map(|died| Violation {
        cites: ExposureKind::SignedAfterDeath.cites().to_owned(),
        detail: format!("the client died on {died}: no consumer signs it"),
        rule: "agreement".to_owned(),
        subject: StreamId::Case(get.id).to_string(),
    }));
    if !against.is_empty() {
        return Err(Refusal::of(Reason::NotAllowedYet, against).into());
    }
    let law = firm.law_of_signing(place, on);
    let window = law.map(|law| law.rules.cancellation_window(on));
    let (cancel_through, service_from) =
        window.map_or((None, None), |(through, from)| (day(through), day(from)));
    let reaching = firm.reaching(place, on).into_iter().filter_map(|(_, adopted)| adopted);
    let packs = firm.pack_on(None, on).into_iter().chain(reaching);
    Ok(v1::PrepareAgreementResponse {
        cancel_through,
        service_from,
        estimated_days: int32(terms.estimated_days()),
        packs: packs.map(adopted_message).collect(),
        position: int64(position),
    })
}
