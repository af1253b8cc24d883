//! What a claim of a fee saw, for whoever judges the fee once more.

use api::status::Failure;
use domain::account::Account;
use domain::case::{Case, EarnedFee};
use domain::event::StreamId;
use domain::firm::Firm;
use domain::ids::{CaseId, FirmId};

use crate::ledger::{Ledger, as_account, as_case, as_firm};

/// The states that a claim was judged on: those right before the fee was earned.
pub(crate) struct Claimed {
    pub(crate) firm: Box<Firm>,
    pub(crate) case: Box<Case>,
    pub(crate) account: Box<Account>,
}

impl Claimed {
    pub(crate) async fn read(
        ledger: &Ledger,
        firm: FirmId,
        case: CaseId,
        earned: &EarnedFee,
    ) -> Result<Self, Failure> {
        let before = earned.mark.at.position - 1;
        let streams = [StreamId::Firm, StreamId::Case(case), StreamId::Account(earned.account)];
        let mut states = ledger.engine().states_at(firm, &streams, before).await?.into_iter();
        let firm = states.next().and_then(as_firm);
        let case = states.next().and_then(as_case);
        let account = states.next().and_then(as_account);
        match (firm, case, account) {
            (Some(firm), Some(case), Some(account)) => Ok(Self { firm, case, account }),
            _ => Err(Failure::internal("a stream folded into another's state")),
        }
    }
}
