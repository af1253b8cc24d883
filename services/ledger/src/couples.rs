//! Couples: comparing cases that may be one, as soon as the read models show that they might.
//!
//! Whether two cases are a couple is decided in the domain, on the cases themselves. This only finds
//! whom to compare. A comparison that is missed is made by the next sweep.

use std::time::Duration;

use domain::actor::ServiceActor;
use domain::command::{Command, CoupleAction};
use domain::event::StreamId;
use domain::ids::{CaseId, FirmId};
use log::{OwnRequests, Submission};
use store::CoupleCandidate;

use api::status::Failure;

use crate::access::fingerprint;
use crate::ledger::Ledger;

/// Most pairs compared for one case, and for one firm in one sweep.
const PAIRS_MAX: u32 = 200;
/// How often all firms are swept.
const SWEEP_INTERVAL: Duration = Duration::from_mins(1);

/// Compares one case with whom it resembles. A failure is told to the operator; what was recorded
/// before stands, and the next sweep makes up for it.
pub(crate) async fn compare_case(ledger: &Ledger, firm: FirmId, case: CaseId, position: u64) {
    let compared = async {
        ledger.read_at(firm, position).await?;
        compare(ledger, firm, Some(case)).await
    };
    if let Err(failure) = compared.await {
        tracing::warn!(%firm, %case, ?failure, "a couple is left to the next sweep");
    }
}

/// Sweeps every firm now and from time to time, until the service closes.
pub(crate) async fn sweep(ledger: Ledger) {
    loop {
        match ledger.store().firms().await {
            Ok(firms) => {
                for firm in firms {
                    // Cards are compared by what is kept with the clients.
                    if let Err(failure) = ledger.index_people(firm).await {
                        tracing::warn!(%firm, ?failure, "clients are left to the next sweep");
                    }
                    if let Err(failure) = compare(&ledger, firm, None).await {
                        tracing::warn!(%firm, ?failure, "couples are left to the next sweep");
                    }
                }
            }
            Err(error) => tracing::warn!(%error, "the firms cannot be listed"),
        }
        tokio::select! {
            () = ledger.closing().cancelled() => return,
            () = tokio::time::sleep(SWEEP_INTERVAL) => {}
        }
    }
}

async fn compare(ledger: &Ledger, firm: FirmId, case: Option<CaseId>) -> Result<(), Failure> {
    let pairs = ledger.store().couple_candidates(firm, case, PAIRS_MAX).await?;
    if pairs.is_empty() {
        return Ok(());
    }
    let own = ledger.engine().own_requests(firm).await?;
    for pair in pairs {
        compare_pair(ledger, firm, &own, pair).await?;
    }
    Ok(())
}

/// The request id is made of the pair and what it stands at: the same two, unchanged, are compared
/// once, by whichever process comes first.
async fn compare_pair(
    ledger: &Ledger,
    firm: FirmId,
    own: &OwnRequests,
    pair: CoupleCandidate,
) -> Result<(), Failure> {
    let CoupleCandidate { first, second } = pair;
    let streams = [first, second]
        .map(|case| [StreamId::Case(case), StreamId::Account(case.own_account())])
        .concat();
    let (_, states) = ledger.engine().states(firm, &streams).await?;
    let versions: Vec<u8> = states.iter().flat_map(|state| state.version().to_be_bytes()).collect();
    let parts: [&[u8]; 3] = [first.0.as_bytes(), second.0.as_bytes(), &versions];
    let submission = Submission {
        request_id: own.id("compare", &parts),
        fingerprint: fingerprint("compare", &parts),
        author: ServiceActor::CoupleMatcher.author(),
        command: Command::Couple { first, second, action: CoupleAction::Compare },
    };
    ledger.engine().submit(firm, submission).await?;
    Ok(())
}
