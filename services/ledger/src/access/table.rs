//! Which scopes open which RPC. A test holds this table against the contract's descriptor.

use domain::event::{AccessBounds, Scope};

/// An RPC, and the scopes of which any one opens it.
type Rule = (&'static str, &'static [Scope]);

const RECORD: &[Scope] = &[Scope::Record];
const READ: &[Scope] = &[Scope::Read, Scope::Examine];
/// Reads that whoever records or bills needs for that.
const READ_CASE: &[Scope] = &[Scope::Read, Scope::Record, Scope::Bill, Scope::Examine];
/// What clients are called.
const NAME: &[Scope] = &[Scope::Read, Scope::Record];
/// Documents hold what clients wrote and signed; whoever bills has no need of them.
const READ_DOCUMENT: &[Scope] = &[Scope::Read, Scope::Record, Scope::Examine];
const READ_MONEY: &[Scope] = &[Scope::Read, Scope::Bill, Scope::Examine];
/// Whoever accepts what stands in the way of a close sees it.
const READ_MONEY_OR_ACCEPT: &[Scope] = &[Scope::Read, Scope::Bill, Scope::Examine, Scope::Accept];
const BILL: &[Scope] = &[Scope::Bill];
/// A card or a couple is the record keeper's to change as well as the biller's.
const RECORD_OR_BILL: &[Scope] = &[Scope::Record, Scope::Bill];
const CORRECT: &[Scope] = &[Scope::Correct];
/// Whoever records takes back what the same token recorded on the same day: no other correction, which is decided
/// with it.
const CORRECT_OR_RECORD: &[Scope] = &[Scope::Correct, Scope::Record];
/// The same of money and whoever bills.
const CORRECT_OR_BILL: &[Scope] = &[Scope::Correct, Scope::Bill];
const ACCEPT: &[Scope] = &[Scope::Accept];
const ADMINISTER: &[Scope] = &[Scope::Administer];
/// Counsel's word on a pack is a judgement answered for by name: whoever accepts records it, and needs not change the firm
/// for that. A token that records or bills never does.
const ACCEPT_OR_ADMINISTER: &[Scope] = &[Scope::Accept, Scope::Administer];
const READ_FIRM: &[Scope] =
    &[Scope::Read, Scope::Record, Scope::Bill, Scope::Examine, Scope::Administer];
const VERIFY: &[Scope] = &[Scope::Examine, Scope::Administer];

/// Every RPC of the contract. There is no default: one that is missing is denied to all.
const RULES: &[Rule] = &[
    ("/counterfoil.v1.CaseLedger/Record", RECORD),
    ("/counterfoil.v1.CaseLedger/RecordStream", RECORD),
    ("/counterfoil.v1.CaseLedger/CorrectFacts", CORRECT_OR_RECORD),
    ("/counterfoil.v1.CaseLedger/RecordFinding", ACCEPT),
    ("/counterfoil.v1.CaseLedger/GetCase", READ_CASE),
    ("/counterfoil.v1.CaseLedger/PrepareAgreement", READ_CASE),
    ("/counterfoil.v1.CaseLedger/ListCases", READ_CASE),
    ("/counterfoil.v1.CaseLedger/FindCases", READ_CASE),
    ("/counterfoil.v1.CaseLedger/NameClients", NAME),
    ("/counterfoil.v1.CaseLedger/ReadEvents", READ),
    ("/counterfoil.v1.CaseLedger/Follow", READ),
    ("/counterfoil.v1.Accounts/GetAccount", READ_CASE),
    ("/counterfoil.v1.Accounts/ListAccounts", READ_CASE),
    ("/counterfoil.v1.Accounts/GetInvoice", READ_MONEY),
    ("/counterfoil.v1.Accounts/ListInvoices", READ_MONEY),
    ("/counterfoil.v1.Accounts/ListPayments", READ_MONEY),
    ("/counterfoil.v1.Accounts/RecordPayment", BILL),
    ("/counterfoil.v1.Accounts/GrantCredit", BILL),
    ("/counterfoil.v1.Accounts/WriteOff", BILL),
    ("/counterfoil.v1.Accounts/CorrectMoney", CORRECT_OR_BILL),
    ("/counterfoil.v1.Accounts/ChangeCard", RECORD_OR_BILL),
    ("/counterfoil.v1.Accounts/RequestCharges", BILL),
    ("/counterfoil.v1.Accounts/RequestRefund", BILL),
    ("/counterfoil.v1.Accounts/ListSuggestedLinks", READ_CASE),
    ("/counterfoil.v1.Accounts/ConfirmLink", RECORD_OR_BILL),
    ("/counterfoil.v1.Accounts/RefuseLink", RECORD_OR_BILL),
    ("/counterfoil.v1.Accounts/Unlink", RECORD_OR_BILL),
    ("/counterfoil.v1.Accounts/ListExposures", READ),
    ("/counterfoil.v1.Billing/RunBilling", BILL),
    ("/counterfoil.v1.Billing/ListClaimable", READ_MONEY),
    ("/counterfoil.v1.Billing/ExplainFee", READ_MONEY),
    ("/counterfoil.v1.Billing/ClaimFee", BILL),
    ("/counterfoil.v1.Billing/ReviewFees", ADMINISTER),
    ("/counterfoil.v1.Billing/KeepFee", ACCEPT),
    ("/counterfoil.v1.Books/GetChart", READ_MONEY),
    ("/counterfoil.v1.Books/ReviseChart", BILL),
    ("/counterfoil.v1.Books/ListJournal", READ_MONEY),
    ("/counterfoil.v1.Books/GetTrialBalance", READ_MONEY),
    ("/counterfoil.v1.Books/GetRevenueByPlan", READ_MONEY),
    ("/counterfoil.v1.Books/ListMonths", READ_MONEY),
    ("/counterfoil.v1.Books/ListAging", READ_MONEY),
    ("/counterfoil.v1.Books/NoteBankLines", BILL),
    ("/counterfoil.v1.Books/DeclareBankAccount", BILL),
    ("/counterfoil.v1.Books/NoteStatement", BILL),
    ("/counterfoil.v1.Books/TakeBackDeposit", BILL),
    ("/counterfoil.v1.Books/GetReconciliation", READ_MONEY_OR_ACCEPT),
    ("/counterfoil.v1.Books/NotePayout", BILL),
    ("/counterfoil.v1.Books/ListDeposits", READ_MONEY),
    ("/counterfoil.v1.Books/ListMovements", READ_MONEY),
    ("/counterfoil.v1.Books/ProposeMatches", READ_MONEY),
    ("/counterfoil.v1.Books/ConfirmMatch", BILL),
    ("/counterfoil.v1.Books/RefuseMatch", BILL),
    ("/counterfoil.v1.Books/SetMatchPolicy", ADMINISTER),
    ("/counterfoil.v1.Books/MatchAutomatically", BILL),
    ("/counterfoil.v1.Books/ReverseMatch", BILL),
    ("/counterfoil.v1.Books/BookDeposit", BILL),
    ("/counterfoil.v1.Books/ReverseBooking", BILL),
    ("/counterfoil.v1.Books/CheckMonth", READ_MONEY_OR_ACCEPT),
    ("/counterfoil.v1.Books/AcceptForClose", ACCEPT),
    ("/counterfoil.v1.Books/WithdrawAcceptance", ACCEPT),
    ("/counterfoil.v1.Books/CloseMonth", BILL),
    ("/counterfoil.v1.Audit/ListDisallowedFees", VERIFY),
    ("/counterfoil.v1.Privacy/PlaceLegalHold", ADMINISTER),
    ("/counterfoil.v1.Privacy/LiftLegalHold", ADMINISTER),
    ("/counterfoil.v1.Privacy/ErasePerson", ADMINISTER),
    ("/counterfoil.v1.Privacy/ListRetention", VERIFY),
    ("/counterfoil.v1.Administration/RegisterFirm", ADMINISTER),
    ("/counterfoil.v1.Administration/GetFirm", READ_FIRM),
    ("/counterfoil.v1.Administration/CorrectFirm", CORRECT),
    ("/counterfoil.v1.Administration/PublishPlan", ADMINISTER),
    ("/counterfoil.v1.Administration/AdoptPack", ADMINISTER),
    ("/counterfoil.v1.Administration/ConfirmPack", ACCEPT_OR_ADMINISTER),
    ("/counterfoil.v1.Administration/UsePackAtOwnRisk", ADMINISTER),
    ("/counterfoil.v1.Administration/RegisterBureau", ADMINISTER),
    ("/counterfoil.v1.Administration/RecordStanding", ADMINISTER),
    ("/counterfoil.v1.Administration/EndStanding", ADMINISTER),
    ("/counterfoil.v1.Administration/RecordSecurityEvent", ADMINISTER),
    ("/counterfoil.v1.Administration/CreateToken", ADMINISTER),
    ("/counterfoil.v1.Administration/ListTokens", ADMINISTER),
    ("/counterfoil.v1.Administration/RevokeToken", ADMINISTER),
    ("/counterfoil.v1.Administration/VerifyLog", VERIFY),
    ("/counterfoil.v1.Administration/RebuildReadModels", ADMINISTER),
    ("/counterfoil.v1.Administration/CheckDerived", ADMINISTER),
    ("/counterfoil.v1.Administration/GetHead", READ_FIRM),
    ("/counterfoil.v1.Administration/ListDue", READ_CASE),
    ("/counterfoil.v1.Evidence/Upload", RECORD),
    ("/counterfoil.v1.Evidence/Download", READ_DOCUMENT),
    ("/counterfoil.v1.Evidence/CheckEvidence", VERIFY),
    ("/counterfoil.v1.Audit/MakeCheckpoint", VERIFY),
    ("/counterfoil.v1.Audit/GetCheckpoint", READ_FIRM),
    ("/counterfoil.v1.Audit/ListCheckpoints", READ_FIRM),
    ("/counterfoil.v1.Audit/GetInclusionProof", READ_FIRM),
    ("/counterfoil.v1.Audit/GetConsistencyProof", READ_FIRM),
    ("/counterfoil.v1.Audit/ListSigningKeys", READ_FIRM),
    ("/counterfoil.v1.Audit/AddCosignature", VERIFY),
    ("/counterfoil.v1.Audit/ExportBundle", VERIFY),
];

/// What is open to a token that is bound to cases: what names a case, which is checked, and what says
/// nothing of any.
const WITHIN_CASES: &[&str] = &[
    "/counterfoil.v1.CaseLedger/GetCase",
    "/counterfoil.v1.Billing/ExplainFee",
    "/counterfoil.v1.Accounts/GetAccount",
    "/counterfoil.v1.Evidence/Download",
];

/// What is open to any bound token: events within its bounds, and proofs.
const WITHIN_DAYS: &[&str] = &[
    "/counterfoil.v1.CaseLedger/ReadEvents",
    "/counterfoil.v1.Administration/GetFirm",
    "/counterfoil.v1.Administration/GetHead",
    "/counterfoil.v1.Audit/ExportBundle",
    "/counterfoil.v1.Audit/GetCheckpoint",
    "/counterfoil.v1.Audit/ListCheckpoints",
    "/counterfoil.v1.Audit/GetInclusionProof",
    "/counterfoil.v1.Audit/GetConsistencyProof",
    "/counterfoil.v1.Audit/ListSigningKeys",
];

/// What a token that is bound to days may not do.
pub(crate) const BY_DAYS: &str = "a token that is bound to days reads events, what the firm has registered \
                                  and proofs; it shows nothing folded and exports nothing, since either \
                                  tells of other days";
/// What a token that is bound to cases may not do.
pub(crate) const BY_CASES: &str = "a token that is bound to cases shows and exports those cases, one by one, \
                                   what the firm has registered and proofs";

/// The rule that keeps a token with such bounds from calling an RPC at all.
pub(crate) fn closed_by(bounds: Option<&AccessBounds>, path: &str) -> Option<&'static str> {
    let bounds = bounds?;
    if WITHIN_DAYS.contains(&path) {
        return None;
    }
    let by_day = by_days(bounds);
    if by_day { Some(BY_DAYS) } else { (!WITHIN_CASES.contains(&path)).then_some(BY_CASES) }
}

pub(crate) const fn by_days(bounds: &AccessBounds) -> bool {
    bounds.from.is_some() || bounds.through.is_some()
}

/// Services that tell nothing of any firm and answer without a token.
const OPEN: &[&str] = &[
    "/grpc.health.v1.Health/",
    "/grpc.reflection.v1.ServerReflection/",
    "/grpc.reflection.v1alpha.ServerReflection/",
];

/// What a path asks of its caller.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rpc {
    /// Nothing: health and reflection.
    Open,
    /// A token with any one of these scopes.
    Scoped(&'static [Scope]),
    /// There is no such RPC.
    Unknown,
}

/// What the path `/package.Service/Method` asks of its caller.
pub fn rpc(path: &str) -> Rpc {
    if let Some((_, scopes)) = RULES.iter().find(|(known, _)| *known == path) {
        return Rpc::Scoped(scopes);
    }
    if OPEN.iter().any(|service| path.starts_with(service)) { Rpc::Open } else { Rpc::Unknown }
}

/// `CaseLedger.Record`, of a path `/counterfoil.v1.CaseLedger/Record`. A path that is no RPC is what
/// its caller made up, and is repeated nowhere.
pub fn short_name(path: &str) -> String {
    match rpc(path) {
        Rpc::Unknown => "unknown".to_owned(),
        Rpc::Open | Rpc::Scoped(_) => {
            path.rsplit_once('.').map_or(path, |(_, name)| name).replace('/', ".")
        }
    }
}

/// The path of every RPC in the table.
pub fn paths() -> impl Iterator<Item = &'static str> {
    RULES.iter().map(|(path, _)| *path)
}
