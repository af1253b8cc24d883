//! `Books`: journal, trial balance, aging, deposits and closed months. What is shown follows from the
//! events; nothing here posts an entry.

mod anew;
mod automatic;
mod bank;
mod change;
mod list;
mod month;
mod present;
mod propose;

use api::requests;
use api::v1;
use api::v1::books_server::Books;
use tonic::{Request, Response, Status};

use crate::access::Authority;
use crate::ledger::{Ledger, receipt};
use crate::reading::read;

pub(crate) use automatic::match_by_policy;

/// The service.
pub(crate) struct BooksRpc(pub(crate) Ledger);

#[tonic::async_trait]
impl Books for BooksRpc {
    async fn get_chart(
        &self,
        request: Request<v1::GetChartRequest>,
    ) -> Result<Response<v1::GetChartResponse>, Status> {
        read!(self.0, request, list::get_chart)
    }

    async fn revise_chart(
        &self,
        request: Request<v1::ReviseChartRequest>,
    ) -> Result<Response<v1::ReviseChartResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        let answer = self.0.change(&authority, &m.name, m, requests::revise_chart).await?;
        Ok(Response::new(v1::ReviseChartResponse { receipt: Some(receipt(&answer)) }))
    }

    async fn list_journal(
        &self,
        request: Request<v1::ListJournalRequest>,
    ) -> Result<Response<v1::ListJournalResponse>, Status> {
        read!(self.0, request, list::list_journal)
    }

    async fn get_trial_balance(
        &self,
        request: Request<v1::GetTrialBalanceRequest>,
    ) -> Result<Response<v1::GetTrialBalanceResponse>, Status> {
        read!(self.0, request, list::get_trial_balance)
    }

    async fn get_revenue_by_plan(
        &self,
        request: Request<v1::GetRevenueByPlanRequest>,
    ) -> Result<Response<v1::GetRevenueByPlanResponse>, Status> {
        read!(self.0, request, list::get_revenue_by_plan)
    }

    async fn list_months(
        &self,
        request: Request<v1::ListMonthsRequest>,
    ) -> Result<Response<v1::ListMonthsResponse>, Status> {
        read!(self.0, request, list::list_months)
    }

    async fn list_aging(
        &self,
        request: Request<v1::ListAgingRequest>,
    ) -> Result<Response<v1::ListAgingResponse>, Status> {
        read!(self.0, request, list::list_aging)
    }

    async fn note_bank_lines(
        &self,
        request: Request<v1::NoteBankLinesRequest>,
    ) -> Result<Response<v1::NoteBankLinesResponse>, Status> {
        let authority = Authority::of(&request)?;
        Ok(Response::new(change::note_bank_lines(&self.0, &authority, request.get_ref()).await?))
    }

    async fn declare_bank_account(
        &self,
        request: Request<v1::DeclareBankAccountRequest>,
    ) -> Result<Response<v1::DeclareBankAccountResponse>, Status> {
        let authority = Authority::of(&request)?;
        let answer = bank::declare(&self.0, &authority, request.get_ref()).await?;
        Ok(Response::new(v1::DeclareBankAccountResponse { receipt: Some(receipt(&answer)) }))
    }

    async fn note_statement(
        &self,
        request: Request<v1::NoteStatementRequest>,
    ) -> Result<Response<v1::NoteStatementResponse>, Status> {
        let authority = Authority::of(&request)?;
        Ok(Response::new(bank::note_statement(&self.0, &authority, request.get_ref()).await?))
    }

    async fn take_back_deposit(
        &self,
        request: Request<v1::TakeBackDepositRequest>,
    ) -> Result<Response<v1::TakeBackDepositResponse>, Status> {
        let authority = Authority::of(&request)?;
        let answer = bank::take_back(&self.0, &authority, request.get_ref()).await?;
        Ok(Response::new(v1::TakeBackDepositResponse { receipt: Some(receipt(&answer)) }))
    }

    async fn get_reconciliation(
        &self,
        request: Request<v1::GetReconciliationRequest>,
    ) -> Result<Response<v1::GetReconciliationResponse>, Status> {
        let authority = Authority::of(&request)?;
        Ok(Response::new(bank::get_reconciliation(&self.0, &authority, request.get_ref()).await?))
    }

    async fn note_payout(
        &self,
        request: Request<v1::NotePayoutRequest>,
    ) -> Result<Response<v1::NotePayoutResponse>, Status> {
        let authority = Authority::of(&request)?;
        Ok(Response::new(change::note_payout(&self.0, &authority, request.get_ref()).await?))
    }

    async fn list_deposits(
        &self,
        request: Request<v1::ListDepositsRequest>,
    ) -> Result<Response<v1::ListDepositsResponse>, Status> {
        read!(self.0, request, list::list_deposits)
    }

    async fn list_movements(
        &self,
        request: Request<v1::ListMovementsRequest>,
    ) -> Result<Response<v1::ListMovementsResponse>, Status> {
        read!(self.0, request, list::list_movements)
    }

    async fn propose_matches(
        &self,
        request: Request<v1::ProposeMatchesRequest>,
    ) -> Result<Response<v1::ProposeMatchesResponse>, Status> {
        read!(self.0, request, propose::propose_matches)
    }

    async fn confirm_match(
        &self,
        request: Request<v1::ConfirmMatchRequest>,
    ) -> Result<Response<v1::ConfirmMatchResponse>, Status> {
        let authority = Authority::of(&request)?;
        let answer = change::confirm_match(&self.0, &authority, request.get_ref()).await?;
        Ok(Response::new(v1::ConfirmMatchResponse { receipt: Some(receipt(&answer)) }))
    }

    async fn refuse_match(
        &self,
        request: Request<v1::RefuseMatchRequest>,
    ) -> Result<Response<v1::RefuseMatchResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        let answer = self.0.change(&authority, &m.name, m, requests::refuse_match).await?;
        Ok(Response::new(v1::RefuseMatchResponse { receipt: Some(receipt(&answer)) }))
    }

    async fn set_match_policy(
        &self,
        request: Request<v1::SetMatchPolicyRequest>,
    ) -> Result<Response<v1::SetMatchPolicyResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        let answer = self.0.change(&authority, &m.name, m, requests::set_match_policy).await?;
        Ok(Response::new(v1::SetMatchPolicyResponse { receipt: Some(receipt(&answer)) }))
    }

    async fn match_automatically(
        &self,
        request: Request<v1::MatchAutomaticallyRequest>,
    ) -> Result<Response<v1::MatchAutomaticallyResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        Ok(Response::new(automatic::match_automatically(&self.0, &authority, m).await?))
    }

    async fn reverse_match(
        &self,
        request: Request<v1::ReverseMatchRequest>,
    ) -> Result<Response<v1::ReverseMatchResponse>, Status> {
        let authority = Authority::of(&request)?;
        let answer = change::reverse_match(&self.0, &authority, request.get_ref()).await?;
        Ok(Response::new(v1::ReverseMatchResponse { receipt: Some(receipt(&answer)) }))
    }

    async fn book_deposit(
        &self,
        request: Request<v1::BookDepositRequest>,
    ) -> Result<Response<v1::BookDepositResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        let answer = self.0.change(&authority, &m.name, m, requests::book_deposit).await?;
        Ok(Response::new(v1::BookDepositResponse { receipt: Some(receipt(&answer)) }))
    }

    async fn reverse_booking(
        &self,
        request: Request<v1::ReverseBookingRequest>,
    ) -> Result<Response<v1::ReverseBookingResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        let answer = self.0.change(&authority, &m.name, m, requests::reverse_booking).await?;
        Ok(Response::new(v1::ReverseBookingResponse { receipt: Some(receipt(&answer)) }))
    }

    async fn check_month(
        &self,
        request: Request<v1::CheckMonthRequest>,
    ) -> Result<Response<v1::CheckMonthResponse>, Status> {
        let authority = Authority::of(&request)?;
        Ok(Response::new(month::check_month(&self.0, &authority, request.get_ref()).await?))
    }

    async fn accept_for_close(
        &self,
        request: Request<v1::AcceptForCloseRequest>,
    ) -> Result<Response<v1::AcceptForCloseResponse>, Status> {
        let authority = Authority::of(&request)?;
        let m = request.get_ref();
        Ok(Response::new(month::accept_for_close(&self.0, &authority, m).await?))
    }

    async fn withdraw_acceptance(
        &self,
        request: Request<v1::WithdrawAcceptanceRequest>,
    ) -> Result<Response<v1::WithdrawAcceptanceResponse>, Status> {
        let authority = Authority::of(&request)?;
        let answer = month::withdraw_acceptance(&self.0, &authority, request.get_ref()).await?;
        Ok(Response::new(v1::WithdrawAcceptanceResponse { receipt: Some(receipt(&answer)) }))
    }

    async fn close_month(
        &self,
        request: Request<v1::CloseMonthRequest>,
    ) -> Result<Response<v1::CloseMonthResponse>, Status> {
        let authority = Authority::of(&request)?;
        let answer = month::close_month(&self.0, &authority, request.get_ref()).await?;
        Ok(Response::new(v1::CloseMonthResponse { receipt: Some(receipt(&answer)) }))
    }
}
