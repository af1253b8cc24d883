//! The task that projects a firm.

use std::panic::AssertUnwindSafe;
use std::sync::atomic::Ordering;
use std::sync::{Arc, Weak};

use futures::FutureExt as _;

use crate::error::{StoreError, as_dyn};
use crate::fold::Fault;
use crate::projector::{Progress, Projector};
use crate::running::{Firm, Inner};
use crate::stats::add;

/// The task. It ends with the engine, or when it is told to stop.
pub(crate) async fn run(engine: Weak<Inner>, firm: Arc<Firm>) {
    let mut heads = firm.head.subscribe();
    let Some((mut stopping, settings)) =
        engine.upgrade().map(|inner| (inner.stopping.subscribe(), inner.settings.clone()))
    else {
        return;
    };
    while let Some(inner) = engine.upgrade() {
        if *stopping.borrow() {
            return;
        }
        heads.mark_unchanged();
        let pause = step_live(&inner, &firm).await;
        drop(inner);
        match pause {
            Pause::None => tokio::task::yield_now().await,
            Pause::Gather => tokio::select! {
                () = firm.projection.hurry.notified() => {}
                _ = stopping.changed() => {}
                () = tokio::time::sleep(settings.project_pause) => {}
            },
            Pause::Head => tokio::select! {
                _ = heads.changed() => {}
                // Somebody waits for what another process projects.
                () = firm.projection.hurry.notified() => {}
                _ = stopping.changed() => {}
                () = tokio::time::sleep(settings.poll_interval) => {}
            },
            Pause::Retry => tokio::time::sleep(settings.retry_delay).await,
            Pause::Resumed => tokio::select! {
                () = firm.projection.resumed.notified() => {}
                _ = stopping.changed() => {}
            },
        }
    }
}

/// What the task waits for before its next step.
enum Pause {
    None,
    /// For more events, so that one transaction takes in many: what a step costs, it costs
    /// recording. A reader who waits ends it.
    Gather,
    Head,
    Retry,
    Resumed,
}

async fn step_live(inner: &Inner, firm: &Firm) -> Pause {
    let projection = &firm.projection;
    let mut live = projection.live.lock().await;
    match follow_leader(inner, firm, &mut live).await {
        Ok(None) => {}
        Ok(Some(pause)) => return pause,
        Err(error) => {
            projection.leads.store(false, Ordering::Relaxed);
            tracing::warn!(firm = %firm.id, error = as_dyn(&error), "who projects is not known");
            return Pause::Retry;
        }
    }
    let limit = inner.settings.project_page;
    let next = *projection.applied.borrow() + 1;
    let step = live.step_live(inner.store.as_ref(), firm.id, limit);
    match caught(step, next).await {
        Ok(progress) => {
            // Counted before anybody is told.
            add(&inner.stats.projected, progress.events);
            projection.reach(progress.position);
            match progress.fault {
                Some(fault) => {
                    projection.stop_at(firm.id, fault);
                    Pause::Resumed
                }
                // Of a log that grew before tiles were kept there are more to make.
                None if progress.tiles_behind => Pause::None,
                None if progress.events == 0 => Pause::Head,
                None if progress.events == limit || projection.is_anyone_waiting() => Pause::None,
                None => Pause::Gather,
            }
        }
        Err(error) => {
            live.forget();
            add(&inner.stats.projection_failures, 1);
            match error {
                StoreError::Corrupt { position, what } => {
                    projection.stop_at(firm.id, Fault::new(position, what));
                    Pause::Resumed
                }
                error @ (StoreError::Unavailable { .. }
                | StoreError::OutcomeUnknown { .. }
                | StoreError::Conflict { .. }
                | StoreError::Full { .. }
                | StoreError::Answer { .. }
                | StoreError::Internal { .. }) => {
                    tracing::warn!(firm = %firm.id, error = as_dyn(&error), "a projection step failed");
                    Pause::Retry
                }
            }
        }
    }
}

/// Where another process projects the firm: how far it is, and what to wait for meanwhile.
async fn follow_leader(
    inner: &Inner,
    firm: &Firm,
    live: &mut Projector,
) -> Result<Option<Pause>, StoreError> {
    let projection = &firm.projection;
    let leads = inner.store.leads(firm.id).await?;
    projection.leads.store(leads, Ordering::Relaxed);
    projection.handed.want(leads);
    if leads {
        return Ok(None);
    }
    live.forget();
    projection.reach(inner.store.checkpoint(firm.id).await?.position);
    Ok(Some(if projection.is_anyone_waiting() { Pause::Retry } else { Pause::Head }))
}

/// What a step came to. A panic in it stops the projection like an event that cannot be read, visibly
/// and at the position where the step began, instead of ending the task unseen.
async fn caught(
    step: impl Future<Output = Result<Progress, StoreError>>,
    next: u64,
) -> Result<Progress, StoreError> {
    let panicked = |_| {
        let what = "this event or one after it made the projection panic".into();
        Err(StoreError::Corrupt { position: next, what })
    };
    AssertUnwindSafe(step).catch_unwind().await.unwrap_or_else(panicked)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_panic_in_a_step_is_a_fault_at_its_first_position() {
        let found = caught(async { panic!("on purpose") }, 7).await;
        assert!(matches!(found, Err(StoreError::Corrupt { position: 7, .. })));
        let fine =
            caught(async { Ok(Progress { position: 9, events: 3, ..Progress::default() }) }, 7)
                .await;
        assert_eq!(fine.unwrap().position, 9);
    }
}
