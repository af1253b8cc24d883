//! Messages with personal values or secrets do not print them.

use std::fmt;

use crate::v1;

macro_rules! hidden {
    ($($Message:ident),* $(,)?) => {$(
        impl fmt::Debug for v1::$Message {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(concat!(stringify!($Message), "(····)"))
            }
        }
    )*};
}

hidden!(
    Address,
    AttestBasis,
    Cancel,
    Card,
    CardOnFile,
    CaseSummary,
    Charge,
    ClientName,
    ChangeCircumstance,
    CircumstanceSeen,
    ClosePeriod,
    Contact,
    CorrectMoneyRequest,
    CorrectedFact,
    CreateTokenResponse,
    DownloadResponse,
    EndService,
    Enrol,
    Event,
    FactCorrection,
    FindCasesRequest,
    GrantCreditRequest,
    IdentityPaperRejected,
    KeepFeeRequest,
    InvoiceLowered,
    Letter,
    MessageLogged,
    NoteCorrection,
    PauseService,
    PaymentRefunded,
    PromisedResult,
    RecordFindingRequest,
    RequestRefundRequest,
    UploadRequest,
    WriteOffRequest,
);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_request_prints_without_personal_values() {
        let contact = v1::Contact { display_name: "Ada Lark".into(), ..Default::default() };
        let enrol = v1::Enrol { contact: Some(contact), ..Default::default() };
        let action = v1::action::Action::Enrol(enrol);
        let request = v1::RecordRequest {
            actions: vec![v1::Action {
                occurred_at: None,
                occurred_on: None,
                action: Some(action),
            }],
            ..Default::default()
        };
        let printed = format!("{request:?}");
        assert!(printed.contains("Enrol") && !printed.contains("Lark"), "{printed}");
    }
}
