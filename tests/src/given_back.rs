//! What may go back of a payment.

use domain::account::{Account, MoneyBack};
use domain::ids::ProcessorRef;

/// A payment of which more went back than can have. A firm refunds and a bank takes back as well: each of the two
/// alone is no more than came in, and what both took beyond that is told as the firm's loss.
pub fn gave_back_too_much(account: &Account) -> Option<&ProcessorRef> {
    let too_much = account.payments.iter().find(|(name, payment)| {
        let of = |back: &&MoneyBack| back.payment == **name && back.won.is_none();
        let all = || account.money_back.values().filter(of);
        let sum = |is_chargeback: bool| -> i64 {
            let kind = all().filter(|back| back.status.is_some() == is_chargeback);
            kind.map(|back| back.amount.minor()).sum()
        };
        let beyond: i64 = all().map(|back| back.beyond.minor()).sum();
        let came = payment.amount.minor();
        sum(false) > came || sum(true) > came || payment.returned.minor() - beyond > came
    });
    too_much.map(|(name, _)| name)
}
