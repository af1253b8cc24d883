//! Whose account a request is about, if it does not say so itself: a processor knows invoices and
//! payments, not accounts.

use api::FieldErrors;
use api::name;
use api::requests::{Clue, Known, WhichAccount};
use api::status::Failure;
use domain::ids::{AccountId, FirmId};

use crate::ledger::Ledger;

/// Accounts looked for: a second one is named with the first, which older software let have the same name.
const ACCOUNTS_MAX: u32 = 8;

/// The account that is named, or that has what is named.
pub(super) async fn account(
    ledger: &Ledger,
    firm: FirmId,
    which: &WhichAccount,
) -> Result<AccountId, Failure> {
    match which {
        WhichAccount::Named(account) => Ok(*account),
        WhichAccount::With(clue) => with(ledger, firm, clue).await,
    }
}

async fn with(ledger: &Ledger, firm: FirmId, clue: &Clue) -> Result<AccountId, Failure> {
    // What was recorded a moment ago, and answered, can be named.
    ledger.read_at(firm, ledger.engine().head(firm).await?.position).await?;
    let store = ledger.store();
    let (accounts, resource_type, name) = match &clue.what {
        Known::Invoice(number) => {
            let account = store.account_of_invoice(firm, *number).await?;
            (account.into_iter().collect(), "Invoice", name::invoice(firm, *number))
        }
        Known::Payment(payment) => {
            let accounts = store.accounts_of_payment(firm, payment, ACCOUNTS_MAX).await?;
            (accounts, "Payment", payment.to_string())
        }
        Known::Chargeback(chargeback) => {
            let accounts = store.accounts_of_chargeback(firm, chargeback, ACCOUNTS_MAX).await?;
            (accounts, "Chargeback", chargeback.to_string())
        }
    };
    match accounts.as_slice() {
        [account] => Ok(*account),
        [] => Err(Failure::Unfound { field: clue.field, resource_type, name }),
        [..] => {
            let named: Vec<String> =
                accounts.iter().map(|account| name::account(firm, *account)).collect();
            let rule = format!(
                "must name the account: {} have what {} names, which is of one alone; correct the others",
                named.join(" and "),
                clue.field
            );
            Err(FieldErrors::one("name", rule).into())
        }
    }
}
