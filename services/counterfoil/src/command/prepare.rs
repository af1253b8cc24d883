//! `prepare`: an agreement that is about to be signed.

use api::v1;
use calendar::CivilDate;
use clap::Args;

use crate::connect::Session;
use crate::exit::Exit;
use crate::out::Out;
use crate::table::Table;
use crate::words;

/// Which agreement.
#[derive(Args)]
pub(crate) struct PrepareArgs {
    /// The case: its name, its id, a part of the id, or the client's name
    case: String,
    /// The day on which it is to be signed; today in the firm's zone if not given
    #[arg(long, value_name = "DATE")]
    on: Option<CivilDate>,
    /// What the papers will hold, as packs name it, such as items_listed; once for each
    #[arg(long = "item", value_name = "ITEM")]
    items: Vec<String>,
    /// Another state in which something of the contract is done; once for each
    #[arg(long = "activity", value_name = "STATE")]
    activity: Vec<String>,
    /// The plan that it is of, if it is another than that of the enrolment
    #[arg(long, value_name = "PLAN", default_value = "")]
    plan: String,
    /// The language of the papers, such as en or es
    #[arg(long, value_name = "LANGUAGE", default_value = "")]
    language: String,
    /// The language in which it was negotiated
    #[arg(long, value_name = "LANGUAGE", default_value = "")]
    negotiated_in: String,
    /// The language of the notices of cancellation
    #[arg(long, value_name = "LANGUAGE", default_value = "")]
    notices_in: String,
}

/// Asks, and tells what the papers have to say. What stands against it is the refusal.
pub(crate) async fn run(
    args: &PrepareArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let request = v1::PrepareAgreementRequest {
        name: session.case(&args.case).await?,
        at_least_position: session.position,
        signing_on: words::message(session.day(args.on).await?),
        contract_items: args.items.clone(),
        activity_state_codes: args.activity.clone(),
        plan: args.plan.clone(),
        languages: Some(v1::AgreementLanguages {
            agreement: args.language.clone(),
            negotiation: args.negotiated_in.clone(),
            notice: args.notices_in.clone(),
        }),
    };
    let answer = session.cases.prepare_agreement(request).await?.into_inner();
    if out.is_json() {
        out.message(&answer, "PrepareAgreementResponse")?;
        return Ok(Exit::Done);
    }
    out.line("Nothing that was read stands against it.")?;
    out.field("may cancel", format!("through {}", words::day(answer.cancel_through.as_ref())))?;
    out.field("service from", words::day(answer.service_from.as_ref()))?;
    out.field("estimate", format!("{} days", answer.estimated_days))?;
    let mut table = Table::new(&["pack", "about", "~asks", "~statute"]);
    for pack in &answer.packs {
        let name = format!("{} version {}", pack.code, pack.version);
        if pack.rules.is_empty() {
            let asks = "nothing beside federal law".to_owned();
            table.row([name.clone(), String::new(), asks, String::new()]);
        }
        for rule in &pack.rules {
            let name = name.clone();
            let about = rule.dimension.replace('_', " ");
            table.row([name, about, rule.requirement.clone(), rule.citation.clone()]);
        }
    }
    out.section("What it was held against", &table)?;
    out.note(words::CAUTION)?;
    Ok(Exit::Done)
}
