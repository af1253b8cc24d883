//! Whose account a payment line is about, if it does not say so itself: a processor knows invoices
//! and payments, not accounts.

use std::collections::HashMap;

use api::v1;
use api::v1::record_payment_request::Event;
use tonic::Status;

use crate::connect::Session;
use crate::find::gather;

/// Most payments that are looked through for one that is named.
const PAYMENTS_SEARCHED_MAX: usize = 1_000_000;

/// What is known of payments and chargebacks so far.
#[derive(Default)]
pub(super) struct Accounts {
    by_payment: HashMap<String, String>,
    by_chargeback: HashMap<String, String>,
}

/// By what a line names its account.
enum Clue<'a> {
    Invoice(&'a str),
    Payment(&'a str),
    Chargeback(&'a str),
}

fn clue(event: &Event) -> Clue<'_> {
    match event {
        Event::Settled(settled) => Clue::Invoice(&settled.invoice),
        Event::Failed(failed) => Clue::Invoice(&failed.invoice),
        Event::Refunded(refunded) => Clue::Payment(&refunded.payment),
        Event::ChargebackOpened(opened) => Clue::Payment(&opened.payment),
        Event::ChargebackWon(won) => Clue::Chargeback(&won.chargeback),
        Event::ChargebackLost(lost) => Clue::Chargeback(&lost.chargeback),
    }
}

impl Accounts {
    /// The account of what happened; none if nothing that is named leads to one.
    pub(super) async fn of(
        &mut self,
        session: &mut Session,
        event: &Event,
    ) -> anyhow::Result<Option<String>> {
        match clue(event) {
            Clue::Invoice("") => Ok(None),
            Clue::Invoice(name) => {
                let request = v1::GetInvoiceRequest {
                    name: name.to_owned(),
                    at_least_position: session.position,
                };
                let answer = session.accounts.get_invoice(request).await?.into_inner();
                Ok(answer.invoice.map(|invoice| invoice.account))
            }
            Clue::Payment(payment) => {
                if !self.by_payment.contains_key(payment) {
                    self.look_through(session).await?;
                }
                Ok(self.by_payment.get(payment).cloned())
            }
            Clue::Chargeback(chargeback) => {
                if !self.by_chargeback.contains_key(chargeback) {
                    self.look_through(session).await?;
                }
                Ok(self.by_chargeback.get(chargeback).cloned())
            }
        }
    }

    async fn look_through(&mut self, session: &mut Session) -> anyhow::Result<()> {
        let parent = session.firm()?;
        let at_least_position = session.position;
        let payments = gather(PAYMENTS_SEARCHED_MAX, async |page_size, page_token| {
            let request = v1::ListPaymentsRequest {
                parent: parent.clone(),
                page_size,
                page_token,
                at_least_position,
                account: String::new(),
            };
            let answer = session.accounts.list_payments(request).await?.into_inner();
            Ok::<_, Status>((answer.payments, answer.next_page_token))
        });
        for payment in payments.await?.entries {
            for chargeback in payment.chargebacks {
                self.by_chargeback.insert(chargeback.chargeback, payment.account.clone());
            }
            self.by_payment.insert(payment.payment, payment.account);
        }
        Ok(())
    }
}
