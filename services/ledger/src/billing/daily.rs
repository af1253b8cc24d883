//! Billing by the clock: once a day for each firm, in one process of those on the database. Bank lines
//! that the firm lets be matched without a person are matched after it.
//!
//! The request id of a day's run is made of the firm's secret and the day. Should two processes both run it
//! after all, or one again after a restart, the second finds what the first did.

use std::collections::HashMap;
use std::time::Duration;

use api::{name, scalar, v1};
use calendar::CivilDate;
use domain::event::AutomaticMatches;
use domain::ids::FirmId;
use log::{OwnRequests, StoreError};
use store::{Leases, Work};

use super::run::run_billing;
use crate::access::Authority;
use crate::books::match_by_policy;
use crate::ledger::Ledger;

/// Runs until the service closes: every firm's billing, so long after each midnight where the firm
/// is. A day on which nothing served is made up for by the next, as a run bills whatever is over.
pub(crate) async fn bill_daily(ledger: Ledger, after_midnight: Duration) {
    let mut daily = Daily { leases: ledger.store().leases(), after_midnight, done: HashMap::new() };
    loop {
        if let Err(error) = daily.look(&ledger).await {
            tracing::warn!(%error, "billing by the clock is left to the next look");
        }
        tokio::select! {
            () = ledger.closing().cancelled() => return,
            () = tokio::time::sleep(ledger.limits().daily_billing_look) => {}
        }
    }
}

struct Daily {
    leases: Leases,
    after_midnight: Duration,
    /// The last day that was run, by firm.
    done: HashMap<FirmId, CivilDate>,
}

impl Daily {
    async fn look(&mut self, ledger: &Ledger) -> Result<(), StoreError> {
        for firm in ledger.store().firms().await? {
            let Some(today) = self.due(ledger, firm).await else { continue };
            if self.leases.ask(firm, Work::Billing).await? && run(ledger, firm, today).await {
                self.done.insert(firm, today);
            }
        }
        Ok(())
    }

    /// Today, if today's run is due and not done here.
    async fn due(&self, ledger: &Ledger, firm: FirmId) -> Option<CivilDate> {
        let state = match ledger.firms().get(firm).await {
            Ok(state) => state,
            Err(failure) => {
                tracing::warn!(%firm, ?failure, "billing by the clock is left to the next look");
                return None;
            }
        };
        let zone = state.registered.as_ref()?.zone;
        let now = ledger.now().0;
        let today = zone.date_at(now);
        let after_midnight = i64::try_from(self.after_midnight.as_micros()).ok()?;
        let is_time = now >= zone.start_of_day(today).saturating_add(after_midnight);
        (is_time && self.done.get(&firm) != Some(&today)).then_some(today)
    }
}

/// Whether the day's run is done: billing, then what the firm lets be matched without a person.
async fn run(ledger: &Ledger, firm: FirmId, today: CivilDate) -> bool {
    match ledger.engine().own_requests(firm).await {
        Ok(own) => {
            bill(ledger, firm, &own, today).await && matched(ledger, firm, &own, today).await
        }
        Err(error) => {
            tracing::warn!(%firm, %error, "billing by the clock is left to the next look");
            false
        }
    }
}

async fn matched(ledger: &Ledger, firm: FirmId, own: &OwnRequests, today: CivilDate) -> bool {
    let lets = match ledger.firms().get(firm).await {
        Ok(firm) => firm.automatic_matches() != AutomaticMatches::Nothing,
        Err(_) => return false,
    };
    let day = today.to_string();
    let request_id = own.id("daily matching", &[day.as_bytes()]);
    !lets || match_by_policy(ledger, firm, request_id).await
}

async fn bill(ledger: &Ledger, firm: FirmId, own: &OwnRequests, today: CivilDate) -> bool {
    let day = today.to_string();
    let request_id = own.id("daily billing", &[day.as_bytes()]);
    let message = v1::RunBillingRequest {
        parent: name::firm(firm),
        request_id: request_id.to_string(),
        as_of: Some(scalar::date_message(today)),
    };
    match run_billing(ledger, &Authority::Schedule, &message).await {
        Ok(run) => {
            let (invoices, held) = (run.invoices_issued, run.fees_held);
            tracing::info!(%firm, %today, invoices, held, "billed by the clock");
            true
        }
        Err(failure) => {
            tracing::warn!(%firm, %today, ?failure, "billing by the clock is left to the next look");
            false
        }
    }
}
