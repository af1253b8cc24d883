//! `Billing`: what has been earned, and asking for it.

mod daily;
mod explain;
mod keep;
mod life;
mod matter;
mod review;
mod run;

use api::name;
use api::requests;
use api::status::Failure;
use api::v1;
use api::v1::billing_server::Billing;
use tonic::{Request, Response, Status};

use crate::access::Authority;
use crate::ledger::{Ledger, one_account, receipt};
use domain::command::Command;
use domain::event::StreamId;

pub(crate) use daily::bill_daily;
pub(crate) use explain::claimable_by;
pub(crate) use matter::{Matters, OfFees, OneMatter, may_be_asked};
pub(crate) use review::{before_asking, review_due, said_of_review, would_change};

/// The service.
pub(crate) struct BillingRpc(pub(crate) Ledger);

#[tonic::async_trait]
impl Billing for BillingRpc {
    async fn run_billing(
        &self,
        request: Request<v1::RunBillingRequest>,
    ) -> Result<Response<v1::RunBillingResponse>, Status> {
        let authority = Authority::of(&request)?;
        Ok(Response::new(run::run_billing(&self.0, &authority, request.get_ref()).await?))
    }

    async fn list_claimable(
        &self,
        request: Request<v1::ListClaimableRequest>,
    ) -> Result<Response<v1::ListClaimableResponse>, Status> {
        let authority = Authority::of(&request)?;
        Ok(Response::new(explain::list_claimable(&self.0, &authority, request.get_ref()).await?))
    }

    async fn explain_fee(
        &self,
        request: Request<v1::ExplainFeeRequest>,
    ) -> Result<Response<v1::ExplainFeeResponse>, Status> {
        let authority = Authority::of(&request)?;
        Ok(Response::new(explain::explain_fee(&self.0, &authority, request.get_ref()).await?))
    }

    async fn claim_fee(
        &self,
        request: Request<v1::ClaimFeeRequest>,
    ) -> Result<Response<v1::ClaimFeeResponse>, Status> {
        let authority = Authority::of(&request)?;
        Ok(Response::new(claim_fee(&self.0, &authority, request.get_ref()).await?))
    }

    async fn review_fees(
        &self,
        request: Request<v1::ReviewFeesRequest>,
    ) -> Result<Response<v1::ReviewFeesResponse>, Status> {
        let authority = Authority::of(&request)?;
        Ok(Response::new(review::review_fees(&self.0, &authority, request.get_ref()).await?))
    }

    async fn keep_fee(
        &self,
        request: Request<v1::KeepFeeRequest>,
    ) -> Result<Response<v1::KeepFeeResponse>, Status> {
        let authority = Authority::of(&request)?;
        Ok(Response::new(keep::keep_fee(&self.0, &authority, request.get_ref()).await?))
    }
}

async fn claim_fee(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::ClaimFeeRequest,
) -> Result<v1::ClaimFeeResponse, Failure> {
    ledger.check_name(authority, &message.name).await?;
    let asked = requests::claim_fee(message)?;
    before_asking(ledger, authority, asked.firm).await?;
    let (firm, command) = (asked.firm, asked.command.clone());
    let answer = ledger.submit(authority, asked, api::fingerprint(message)).await?;
    let mut invoice = None;
    let account = answer.streams.iter().find(|(stream, _)| matches!(stream, StreamId::Account(_)));
    if let (Command::ClaimFee { case, period, .. }, Some((account, _))) = (command, account) {
        let (_, states) = ledger.states(firm, &[*account], answer.position).await?;
        let account = one_account(&states)?;
        let newest = account.invoices.iter().rev().find(|(_, invoice)| {
            invoice.lines.iter().any(|line| line.case == case && line.period == period)
        });
        invoice = newest.map(|(number, _)| name::invoice(firm, *number));
    }
    Ok(v1::ClaimFeeResponse {
        receipt: Some(receipt(&answer)),
        invoice: invoice.unwrap_or_default(),
    })
}
