//! `Administration`: the firm itself, its tokens, its log, and what is due today.

mod correct;
mod due;
mod folded;
mod run;
mod token;

use api::FieldErrors;
use api::requests::{self, Asked};
use api::scalar::{int64, timestamp};
use api::status::Failure;
use api::v1;
use api::v1::administration_server::Administration;
use domain::command::{Command, FirmAction};
use domain::event::StreamId;
use domain::money::Currency;
use domain::terms::Seat;
use log::Answer;
use prost::Message;
use store::VerificationRow;
use tonic::{Request, Response, Status};

use crate::access::{Authority, firm_of};
use crate::answers::Answers;
use crate::ledger::{Ledger, as_firm, receipt};
use crate::present;
use crate::reading::read;

/// The service.
pub(crate) struct AdministrationRpc(pub(crate) Ledger);

#[tonic::async_trait]
impl Administration for AdministrationRpc {
    type VerifyLogStream = Answers<v1::VerifyLogResponse>;
    type CheckDerivedStream = Answers<v1::CheckDerivedResponse>;
    type RebuildReadModelsStream = Answers<v1::RebuildReadModelsResponse>;

    async fn register_firm(
        &self,
        request: Request<v1::RegisterFirmRequest>,
    ) -> Result<Response<v1::RegisterFirmResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        let name = m.firm.as_ref().map_or("", |firm| firm.name.as_str());
        // The one thing that is asked of a firm that is not there yet.
        authority.check_name(name)?;
        let asked = requests::register_firm(m).map_err(Failure::from)?;
        let answer = self.0.submit(&authority, asked, api::fingerprint(m)).await?;
        Ok(Response::new(v1::RegisterFirmResponse { receipt: Some(receipt(&answer)) }))
    }

    async fn get_firm(
        &self,
        request: Request<v1::GetFirmRequest>,
    ) -> Result<Response<v1::GetFirmResponse>, Status> {
        let authority = Authority::of(&request)?;
        Ok(Response::new(get_firm(&self.0, &authority, request.get_ref()).await?))
    }

    async fn publish_plan(
        &self,
        request: Request<v1::PublishPlanRequest>,
    ) -> Result<Response<v1::PublishPlanResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        let (answer, command) =
            self.change(&authority, &m.parent, m, requests::publish_plan).await?;
        let misfits = self.misfits(&m.parent, &command).await?;
        Ok(Response::new(v1::PublishPlanResponse { receipt: Some(receipt(&answer)), misfits }))
    }

    async fn adopt_pack(
        &self,
        request: Request<v1::AdoptPackRequest>,
    ) -> Result<Response<v1::AdoptPackResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        let (answer, command) =
            self.change(&authority, &m.parent, m, |m, _| requests::adopt_pack(m)).await?;
        Ok(Response::new(v1::AdoptPackResponse {
            receipt: Some(receipt(&answer)),
            pack: adopted(&command),
        }))
    }

    async fn confirm_pack(
        &self,
        request: Request<v1::ConfirmPackRequest>,
    ) -> Result<Response<v1::ConfirmPackResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        let (answer, _) =
            self.change(&authority, &m.parent, m, |m, _| requests::confirm_pack(m)).await?;
        Ok(Response::new(v1::ConfirmPackResponse { receipt: Some(receipt(&answer)) }))
    }

    async fn use_pack_at_own_risk(
        &self,
        request: Request<v1::UsePackAtOwnRiskRequest>,
    ) -> Result<Response<v1::UsePackAtOwnRiskResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        let (answer, _) =
            self.change(&authority, &m.parent, m, |m, _| requests::use_pack_at_own_risk(m)).await?;
        Ok(Response::new(v1::UsePackAtOwnRiskResponse { receipt: Some(receipt(&answer)) }))
    }

    async fn register_bureau(
        &self,
        request: Request<v1::RegisterBureauRequest>,
    ) -> Result<Response<v1::RegisterBureauResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        let (answer, _) =
            self.change(&authority, &m.parent, m, |m, _| requests::register_bureau(m)).await?;
        Ok(Response::new(v1::RegisterBureauResponse { receipt: Some(receipt(&answer)) }))
    }

    async fn record_standing(
        &self,
        request: Request<v1::RecordStandingRequest>,
    ) -> Result<Response<v1::RecordStandingResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        let (answer, _) = self.change(&authority, &m.parent, m, requests::record_standing).await?;
        Ok(Response::new(v1::RecordStandingResponse { receipt: Some(receipt(&answer)) }))
    }

    async fn correct_firm(
        &self,
        request: Request<v1::CorrectFirmRequest>,
    ) -> Result<Response<v1::CorrectFirmResponse>, Status> {
        let authority = Authority::of(&request)?;
        let answer = correct::correct_firm(&self.0, &authority, request.get_ref()).await?;
        Ok(Response::new(answer))
    }

    async fn end_standing(
        &self,
        request: Request<v1::EndStandingRequest>,
    ) -> Result<Response<v1::EndStandingResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        let (answer, _) =
            self.change(&authority, &m.parent, m, |m, _| requests::end_standing(m)).await?;
        Ok(Response::new(v1::EndStandingResponse { receipt: Some(receipt(&answer)) }))
    }

    async fn record_security_event(
        &self,
        request: Request<v1::RecordSecurityEventRequest>,
    ) -> Result<Response<v1::RecordSecurityEventResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        let (answer, _) = self
            .change(&authority, &m.parent, m, |m, _| requests::record_security_event(m))
            .await?;
        Ok(Response::new(v1::RecordSecurityEventResponse { receipt: Some(receipt(&answer)) }))
    }

    async fn create_token(
        &self,
        request: Request<v1::CreateTokenRequest>,
    ) -> Result<Response<v1::CreateTokenResponse>, Status> {
        let authority = Authority::of(&request)?;
        Ok(Response::new(token::create(&self.0, &authority, request.get_ref()).await?))
    }

    async fn list_tokens(
        &self,
        request: Request<v1::ListTokensRequest>,
    ) -> Result<Response<v1::ListTokensResponse>, Status> {
        let authority = Authority::of(&request)?;
        Ok(Response::new(token::list(&self.0, &authority, request.get_ref()).await?))
    }

    async fn revoke_token(
        &self,
        request: Request<v1::RevokeTokenRequest>,
    ) -> Result<Response<v1::RevokeTokenResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        let (answer, _) =
            self.change(&authority, &m.parent, m, |m, _| requests::revoke_token(m)).await?;
        Ok(Response::new(v1::RevokeTokenResponse { receipt: Some(receipt(&answer)) }))
    }

    async fn verify_log(
        &self,
        request: Request<v1::VerifyLogRequest>,
    ) -> Result<Response<Self::VerifyLogStream>, Status> {
        let authority = Authority::of(&request)?;
        self.0.check_name(&authority, &request.get_ref().parent).await?;
        let asked = requests::verify_log(request.get_ref()).map_err(Failure::from)?;
        Ok(Response::new(run::verify(&self.0, asked)))
    }

    async fn rebuild_read_models(
        &self,
        request: Request<v1::RebuildReadModelsRequest>,
    ) -> Result<Response<Self::RebuildReadModelsStream>, Status> {
        let authority = Authority::of(&request)?;
        self.0.check_name(&authority, &request.get_ref().parent).await?;
        let firm = requests::rebuild_read_models(request.get_ref()).map_err(Failure::from)?;
        Ok(Response::new(run::rebuild(&self.0, firm)))
    }

    async fn check_derived(
        &self,
        request: Request<v1::CheckDerivedRequest>,
    ) -> Result<Response<Self::CheckDerivedStream>, Status> {
        let authority = Authority::of(&request)?;
        self.0.check_name(&authority, &request.get_ref().parent).await?;
        let firm = requests::check_derived(request.get_ref()).map_err(Failure::from)?;
        Ok(Response::new(run::check_derived(&self.0, firm)))
    }

    async fn get_head(
        &self,
        request: Request<v1::GetHeadRequest>,
    ) -> Result<Response<v1::GetHeadResponse>, Status> {
        let authority = Authority::of(&request)?;
        Ok(Response::new(get_head(&self.0, &authority, request.get_ref()).await?))
    }

    async fn list_due(
        &self,
        request: Request<v1::ListDueRequest>,
    ) -> Result<Response<v1::ListDueResponse>, Status> {
        read!(self.0, request, due::list)
    }
}

impl AdministrationRpc {
    /// Records one change of the firm.
    async fn change<M: Message + prost::Name>(
        &self,
        authority: &Authority,
        name: &str,
        message: &M,
        check: impl FnOnce(&M, Option<Currency>) -> Result<Asked, FieldErrors>,
    ) -> Result<(Answer, Command), Failure> {
        self.0.check_name(authority, name).await?;
        let currency = self.0.currency(name).await?;
        let asked = check(message, currency)?;
        let command = asked.command.clone();
        let answer = self.0.submit(authority, asked, api::fingerprint(message)).await?;
        Ok((answer, command))
    }
}

impl AdministrationRpc {
    /// What the adopted packs say against a plan that was published.
    async fn misfits(&self, name: &str, command: &Command) -> Result<Vec<v1::PlanMisfit>, Failure> {
        let Command::Firm { action } = command else { return Ok(Vec::new()) };
        let FirmAction::PublishPlan(plan) = &action.action else { return Ok(Vec::new()) };
        let Some(id) = firm_of(name) else { return Ok(Vec::new()) };
        let firm = self.0.firms().get(id).await?;
        let mut found = Vec::new();
        for terms in Seat::ALL.iter().filter_map(|seat| plan.terms(*seat)) {
            found.extend(firm.misfits(&terms, action.occurred_on));
        }
        found.sort_by(|one, other| {
            (&one.subject, &one.detail).cmp(&(&other.subject, &other.detail))
        });
        found.dedup();
        let misfits = found.into_iter().map(|against| v1::PlanMisfit {
            state_code: against.subject,
            reason: against.detail,
            citation: against.cites,
        });
        Ok(misfits.collect())
    }
}

fn adopted(command: &Command) -> Option<v1::RulePack> {
    let Command::Firm { action } = command else { return None };
    let FirmAction::AdoptPack(pack) = &action.action else { return None };
    Some(api::firm_action::pack_message(pack))
}

async fn get_firm(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::GetFirmRequest,
) -> Result<v1::GetFirmResponse, Failure> {
    ledger.check_name(authority, &message.name).await?;
    let get = requests::get_firm(message)?;
    let (position, states) =
        ledger.states(get.firm, &[StreamId::Firm], get.at_least_position).await?;
    let firm = states.into_iter().find_map(as_firm);
    let firm = firm.filter(|firm| firm.registered.is_some());
    let missing = || Failure::NotFound { resource_type: "Firm", name: message.name.clone() };
    let firm = firm.ok_or_else(missing)?;
    let today = ledger.today(&firm);
    let firm = Some(present::firm::firm(get.firm, &firm, today));
    Ok(v1::GetFirmResponse { firm, position: int64(position) })
}

fn verification(row: VerificationRow) -> v1::Verification {
    let VerificationRow { ended_at, position, root, finding } = row;
    let position = int64(position);
    v1::Verification {
        end_time: Some(timestamp(ended_at)),
        position,
        root: root.map(|root| root.hex()).unwrap_or_default(),
        fault: finding.map(|what| v1::LogFault { position, what }),
    }
}

async fn get_head(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::GetHeadRequest,
) -> Result<v1::GetHeadResponse, Failure> {
    ledger.check_name(authority, &message.parent).await?;
    let firm = requests::get_head(message)?;
    // Every command begins here, so that an end that another tool moved stops it at once.
    ledger.engine().check_end(firm).await?;
    let head = ledger.engine().head(firm).await?;
    let applied = ledger.read_at(firm, 0).await?;
    let last_verification = ledger.store().last_verification(firm).await?.map(verification);
    Ok(v1::GetHeadResponse {
        last_verification,
        position: int64(head.position),
        root: head.root().hex(),
        invoice_count: int64(head.invoices),
        applied_position: int64(applied),
    })
}
