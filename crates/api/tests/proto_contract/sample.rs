//! One request of every kind, whole, with the conversion that reads it.

use counterfoil_api::requests::*;
use counterfoil_api::{FieldError, FieldErrors, v1};
use domain::money::Currency;
use prost::Message;

/// A request and its conversion.
pub(crate) struct Sample {
    /// The message's name.
    pub(crate) name: &'static str,
    /// Its proto3 JSON.
    pub(crate) json: &'static str,
    /// The faults of an encoded message.
    pub(crate) convert: fn(&[u8]) -> Vec<FieldError>,
}

macro_rules! sample {
    ($Message:ident, $file:literal, $convert:expr) => {
        Sample {
            name: stringify!($Message),
            json: include_str!(concat!("samples/", $file, ".json")),
            convert: |bytes| {
                let message = v1::$Message::decode(bytes).unwrap();
                faults(&message, $convert)
            },
        }
    };
}

fn faults<M, T>(
    message: &M,
    convert: impl Fn(&M, Option<Currency>) -> Result<T, FieldErrors>,
) -> Vec<FieldError> {
    convert(message, Some(Currency::USD)).err().map_or_else(Vec::new, |errors| errors.0)
}

/// Every request of the contract; `RecordPayment` once for each of its choices.
pub(crate) const SAMPLES: &[Sample] = &[
    sample!(RecordRequest, "record", record),
    sample!(RecordStreamRequest, "record_stream", record_stream),
    sample!(GetCaseRequest, "get_case", |m, _| get_case(m)),
    sample!(PrepareAgreementRequest, "prepare_agreement", |m, _| prepare_agreement(m)),
    sample!(ListCasesRequest, "list_cases", |m, _| list_cases(m)),
    sample!(FindCasesRequest, "find_cases_id", |m, _| find_cases(m)),
    sample!(FindCasesRequest, "find_cases_name", |m, _| find_cases(m)),
    sample!(FindCasesRequest, "find_cases_phone", |m, _| find_cases(m)),
    sample!(NameClientsRequest, "name_clients", |m, _| name_clients(m)),
    sample!(ReadEventsRequest, "read_events", |m, _| read_events(m)),
    sample!(FollowRequest, "follow", |m, _| follow(m)),
    sample!(GetAccountRequest, "get_account", |m, _| get_account(m)),
    sample!(ListAccountsRequest, "list_accounts", |m, _| list_accounts(m)),
    sample!(GetInvoiceRequest, "get_invoice", |m, _| get_invoice(m)),
    sample!(ListInvoicesRequest, "list_invoices", |m, _| list_invoices(m)),
    sample!(ListPaymentsRequest, "list_payments", |m, _| list_payments(m)),
    sample!(RecordPaymentRequest, "record_payment_settled", record_payment),
    sample!(RecordPaymentRequest, "record_payment_failed", record_payment),
    sample!(RecordPaymentRequest, "record_payment_refunded", record_payment),
    sample!(RecordPaymentRequest, "record_payment_chargeback_opened", record_payment),
    sample!(RecordPaymentRequest, "record_payment_chargeback_won", record_payment),
    sample!(RecordPaymentRequest, "record_payment_chargeback_lost", record_payment),
    sample!(RecordPaymentRequest, "record_payment_refund_failed", record_payment),
    sample!(RequestRefundRequest, "request_refund", request_refund),
    sample!(GrantCreditRequest, "grant_credit", grant_credit),
    sample!(WriteOffRequest, "write_off", write_off),
    sample!(CorrectMoneyRequest, "correct_money", correct_money),
    sample!(CorrectMoneyRequest, "correct_money_moved", correct_money),
    sample!(ChangeCardRequest, "change_card", |m, _| change_card(m)),
    sample!(RequestChargesRequest, "request_charges", |m, _| request_charges(m)),
    sample!(ListSuggestedLinksRequest, "list_suggested_links", |m, _| list_suggested_links(m)),
    sample!(ConfirmLinkRequest, "confirm_link", |m, _| confirm_link(m)),
    sample!(RefuseLinkRequest, "refuse_link", |m, _| refuse_link(m)),
    sample!(UnlinkRequest, "unlink", |m, _| unlink(m)),
    sample!(ListExposuresRequest, "list_exposures", |m, _| list_exposures(m)),
    sample!(RunBillingRequest, "run_billing", |m, _| run_billing(m)),
    sample!(ListClaimableRequest, "list_claimable", |m, _| list_claimable(m)),
    sample!(ExplainFeeRequest, "explain_fee", |m, _| explain_fee(m)),
    sample!(ClaimFeeRequest, "claim_fee", |m, _| claim_fee(m)),
    sample!(KeepFeeRequest, "keep_fee", keep_fee),
    sample!(KeepFeeRequest, "keep_fee_claim", keep_fee),
    sample!(CorrectFactsRequest, "correct_facts", correct_facts),
    sample!(RecordFindingRequest, "record_finding", record_finding),
    sample!(ReviewFeesRequest, "review_fees", |m, _| review_fees(m)),
    sample!(GetChartRequest, "get_chart", |m, _| get_chart(m)),
    sample!(ReviseChartRequest, "revise_chart", |m, _| revise_chart(m)),
    sample!(ListJournalRequest, "list_journal", |m, _| list_journal(m)),
    sample!(GetTrialBalanceRequest, "get_trial_balance", |m, _| get_trial_balance(m)),
    sample!(GetRevenueByPlanRequest, "get_revenue_by_plan", |m, _| get_revenue_by_plan(m)),
    sample!(ListMonthsRequest, "list_months", |m, _| list_months(m)),
    sample!(ListAgingRequest, "list_aging", |m, _| list_aging(m)),
    sample!(NoteBankLinesRequest, "note_bank_lines", note_bank_lines),
    sample!(DeclareBankAccountRequest, "declare_bank_account", declare_bank_account),
    sample!(NoteStatementRequest, "note_statement", note_statement),
    sample!(TakeBackDepositRequest, "take_back_deposit", |m, _| take_back_deposit(m)),
    sample!(GetReconciliationRequest, "get_reconciliation", |m, _| get_reconciliation(m)),
    sample!(NotePayoutRequest, "note_payout", note_payout),
    sample!(ListDepositsRequest, "list_deposits", |m, _| list_deposits(m)),
    sample!(ListMovementsRequest, "list_movements", |m, _| list_movements(m)),
    sample!(ProposeMatchesRequest, "propose_matches", |m, _| propose_matches(m)),
    sample!(ConfirmMatchRequest, "confirm_match", confirm_match),
    sample!(ConfirmMatchRequest, "confirm_match_payout", confirm_match),
    sample!(RefuseMatchRequest, "refuse_match", |m, _| refuse_match(m)),
    sample!(RefuseMatchRequest, "refuse_match_payout", |m, _| refuse_match(m)),
    sample!(SetMatchPolicyRequest, "set_match_policy", |m, _| set_match_policy(m)),
    sample!(MatchAutomaticallyRequest, "match_automatically", |m, _| match_automatically(m)),
    sample!(ReverseMatchRequest, "reverse_match", |m, _| reverse_match(m)),
    sample!(BookDepositRequest, "book_deposit", |m, _| book_deposit(m)),
    sample!(ReverseBookingRequest, "reverse_booking", |m, _| reverse_booking(m)),
    sample!(CheckMonthRequest, "check_month", |m, _| check_month(m)),
    sample!(AcceptForCloseRequest, "accept_for_close", |m, _| accept_for_close(m)),
    sample!(WithdrawAcceptanceRequest, "withdraw_acceptance", |m, _| withdraw_acceptance(m)),
    sample!(CloseMonthRequest, "close_month", |m, _| close_month(m)),
    sample!(RegisterFirmRequest, "register_firm", |m, _| register_firm(m)),
    sample!(GetFirmRequest, "get_firm", |m, _| get_firm(m)),
    sample!(PublishPlanRequest, "publish_plan", publish_plan),
    sample!(AdoptPackRequest, "adopt_pack", |m, _| adopt_pack(m)),
    sample!(ConfirmPackRequest, "confirm_pack", |m, _| confirm_pack(m)),
    sample!(UsePackAtOwnRiskRequest, "use_pack_at_own_risk", |m, _| use_pack_at_own_risk(m)),
    sample!(RegisterBureauRequest, "register_bureau", |m, _| register_bureau(m)),
    sample!(RecordStandingRequest, "record_standing", record_standing),
    sample!(RecordSecurityEventRequest, "record_security_event", |m, _| record_security_event(m)),
    sample!(EndStandingRequest, "end_standing", |m, _| end_standing(m)),
    sample!(CorrectFirmRequest, "correct_firm", correct_firm),
    sample!(CreateTokenRequest, "create_token", |m, _| create_token(m)),
    sample!(ListTokensRequest, "list_tokens", |m, _| list_tokens(m)),
    sample!(RevokeTokenRequest, "revoke_token", |m, _| revoke_token(m)),
    sample!(VerifyLogRequest, "verify_log", |m, _| verify_log(m)),
    sample!(RebuildReadModelsRequest, "rebuild_read_models", |m, _| rebuild_read_models(m)),
    sample!(CheckDerivedRequest, "check_derived", |m, _| check_derived(m)),
    sample!(GetHeadRequest, "get_head", |m, _| get_head(m)),
    sample!(ListDisallowedFeesRequest, "list_disallowed_fees", |m, _| list_disallowed_fees(m)),
    sample!(PlaceLegalHoldRequest, "place_legal_hold", |m, _| place_legal_hold(m)),
    sample!(LiftLegalHoldRequest, "lift_legal_hold", |m, _| lift_legal_hold(m)),
    sample!(ErasePersonRequest, "erase_person", |m, _| erase_person(m)),
    sample!(ListRetentionRequest, "list_retention", |m, _| list_retention(m)),
    sample!(ListDueRequest, "list_due", |m, _| list_due(m)),
    sample!(MakeCheckpointRequest, "make_checkpoint", |m, _| make_checkpoint(m)),
    sample!(GetCheckpointRequest, "get_checkpoint", |m, _| get_checkpoint(m)),
    sample!(ListCheckpointsRequest, "list_checkpoints", |m, _| list_checkpoints(m)),
    sample!(GetInclusionProofRequest, "get_inclusion_proof", |m, _| get_inclusion_proof(m)),
    sample!(GetConsistencyProofRequest, "get_consistency_proof", |m, _| get_consistency_proof(m)),
    sample!(ListSigningKeysRequest, "list_signing_keys", |m, _| list_signing_keys(m)),
    sample!(AddCosignatureRequest, "add_cosignature", |m, _| add_cosignature(m)),
    sample!(ExportBundleRequest, "export_bundle", |m, _| export_bundle(m)),
    sample!(ExportBundleRequest, "export_bundle_cases", |m, _| export_bundle(m)),
    sample!(UploadRequest, "upload", |m, _| upload(m)),
    sample!(DownloadRequest, "download", |m, _| download(m)),
    sample!(CheckEvidenceRequest, "check_evidence", |m, _| check_evidence(m)),
];
