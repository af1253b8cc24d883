//! `Accounts`: who pays, what was asked, and what became of money.

mod charges;
mod correct;
mod exposures;
mod find;
mod list;
mod refunds;

use api::FieldErrors;
use api::requests::{self, AccountAsked};
use api::status::Failure;
use api::v1;
use api::v1::accounts_server::Accounts;
use domain::money::Currency;
use log::Answer;
use tonic::{Request, Response, Status};

use crate::access::Authority;
use crate::couples;
use crate::ledger::{Ledger, receipt};
use crate::reading::read;

/// The service.
pub(crate) struct AccountsRpc(pub(crate) Ledger);

#[tonic::async_trait]
impl Accounts for AccountsRpc {
    async fn get_account(
        &self,
        request: Request<v1::GetAccountRequest>,
    ) -> Result<Response<v1::GetAccountResponse>, Status> {
        read!(self.0, request, list::get_account)
    }

    async fn list_accounts(
        &self,
        request: Request<v1::ListAccountsRequest>,
    ) -> Result<Response<v1::ListAccountsResponse>, Status> {
        read!(self.0, request, list::list_accounts)
    }

    async fn get_invoice(
        &self,
        request: Request<v1::GetInvoiceRequest>,
    ) -> Result<Response<v1::GetInvoiceResponse>, Status> {
        read!(self.0, request, list::get_invoice)
    }

    async fn list_invoices(
        &self,
        request: Request<v1::ListInvoicesRequest>,
    ) -> Result<Response<v1::ListInvoicesResponse>, Status> {
        read!(self.0, request, list::list_invoices)
    }

    async fn list_payments(
        &self,
        request: Request<v1::ListPaymentsRequest>,
    ) -> Result<Response<v1::ListPaymentsResponse>, Status> {
        read!(self.0, request, list::list_payments)
    }

    async fn record_payment(
        &self,
        request: Request<v1::RecordPaymentRequest>,
    ) -> Result<Response<v1::RecordPaymentResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        let answer = self.change_found(&authority, &m.name, m, requests::record_payment).await?;
        Ok(Response::new(v1::RecordPaymentResponse { receipt: Some(receipt(&answer)) }))
    }

    async fn grant_credit(
        &self,
        request: Request<v1::GrantCreditRequest>,
    ) -> Result<Response<v1::GrantCreditResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        let answer = self.change_found(&authority, &m.name, m, requests::grant_credit).await?;
        Ok(Response::new(v1::GrantCreditResponse { receipt: Some(receipt(&answer)) }))
    }

    async fn write_off(
        &self,
        request: Request<v1::WriteOffRequest>,
    ) -> Result<Response<v1::WriteOffResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        let answer = self.change_found(&authority, &m.name, m, requests::write_off).await?;
        Ok(Response::new(v1::WriteOffResponse { receipt: Some(receipt(&answer)) }))
    }

    async fn correct_money(
        &self,
        request: Request<v1::CorrectMoneyRequest>,
    ) -> Result<Response<v1::CorrectMoneyResponse>, Status> {
        let authority = Authority::of(&request)?;
        let answer = correct::correct_money(&self.0, &authority, request.get_ref()).await?;
        Ok(Response::new(answer))
    }

    async fn change_card(
        &self,
        request: Request<v1::ChangeCardRequest>,
    ) -> Result<Response<v1::ChangeCardResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        let answer = self.0.change(&authority, &m.name, m, requests::change_card).await?;
        if let Some((firm, account)) = api::name::parse_account(&m.name) {
            couples::compare_case(&self.0, firm, account.owner(), answer.position).await;
        }
        Ok(Response::new(v1::ChangeCardResponse { receipt: Some(receipt(&answer)) }))
    }

    async fn request_charges(
        &self,
        request: Request<v1::RequestChargesRequest>,
    ) -> Result<Response<v1::RequestChargesResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        Ok(Response::new(charges::request_charges(&self.0, &authority, m).await?))
    }

    async fn request_refund(
        &self,
        request: Request<v1::RequestRefundRequest>,
    ) -> Result<Response<v1::RequestRefundResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        Ok(Response::new(refunds::request_refund(&self.0, &authority, m).await?))
    }

    async fn list_suggested_links(
        &self,
        request: Request<v1::ListSuggestedLinksRequest>,
    ) -> Result<Response<v1::ListSuggestedLinksResponse>, Status> {
        read!(self.0, request, list::list_suggested_links)
    }

    async fn confirm_link(
        &self,
        request: Request<v1::ConfirmLinkRequest>,
    ) -> Result<Response<v1::ConfirmLinkResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        let answer = self.0.change(&authority, &m.parent, m, requests::confirm_link).await?;
        Ok(Response::new(v1::ConfirmLinkResponse { receipt: Some(receipt(&answer)) }))
    }

    async fn refuse_link(
        &self,
        request: Request<v1::RefuseLinkRequest>,
    ) -> Result<Response<v1::RefuseLinkResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        let answer = self.0.change(&authority, &m.parent, m, requests::refuse_link).await?;
        Ok(Response::new(v1::RefuseLinkResponse { receipt: Some(receipt(&answer)) }))
    }

    async fn unlink(
        &self,
        request: Request<v1::UnlinkRequest>,
    ) -> Result<Response<v1::UnlinkResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        let answer = self.0.change(&authority, &m.parent, m, requests::unlink).await?;
        Ok(Response::new(v1::UnlinkResponse { receipt: Some(receipt(&answer)) }))
    }

    async fn list_exposures(
        &self,
        request: Request<v1::ListExposuresRequest>,
    ) -> Result<Response<v1::ListExposuresResponse>, Status> {
        read!(self.0, request, exposures::list)
    }
}

impl AccountsRpc {
    /// Records one change of an account that is named or found. The request is the same request
    /// however often it is sent: its fingerprint is that of the message as it came.
    async fn change_found<M: prost::Message + prost::Name>(
        &self,
        authority: &Authority,
        name: &str,
        message: &M,
        check: impl FnOnce(&M, Option<Currency>) -> Result<AccountAsked, FieldErrors>,
    ) -> Result<Answer, Failure> {
        self.0.check_name(authority, name).await?;
        let currency = self.0.currency(name).await?;
        let asked = check(message, currency)?;
        let account = find::account(&self.0, asked.firm, &asked.account).await?;
        self.0.submit(authority, asked.on(account), api::fingerprint(message)).await
    }
}
