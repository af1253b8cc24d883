//! Looking up the name that a command records a movement under, before it waits for the writer.

use std::time::Duration;

use domain::command::Command;
use domain::event::Recorded;
use domain::ids::{AccountId, FirmId};
use domain::named::{MovementName, NameFound};
use tokio::time::Instant;

use crate::engine::Engine;
use crate::error::StoreError;
use crate::submission::{Answer, Submission, SubmitError};

/// How often a name is looked up for one command. Each time the read models are where the log ended a moment ago.
const LOOKS_MAX: usize = 8;
/// How long the read models are waited for.
const PATIENCE: Duration = Duration::from_secs(10);

/// Between two looks at read models that are behind.
const LOOK_AGAIN: Duration = Duration::from_millis(10);
/// How many events behind the read models are gone through for a name, rather than waited for.
const BEHIND_MAX: u64 = 5_000;
/// Events read at a time.
const EVENTS_PAGE: usize = 1_000;

/// How far the read models have to be when a name is looked up.
#[derive(Clone, Copy)]
enum Looking {
    /// Wherever they are: the writer knows what came since, as long as it has been there.
    Now,
    /// At the end of the log.
    ToTheEnd,
}

impl Engine {
    /// Records something whose name was looked up. Names that the writer cannot know of, because the log was written to
    /// elsewhere or it has only begun, are looked up again.
    pub(crate) async fn submit_named(
        &self,
        firm: FirmId,
        submission: Submission,
    ) -> Result<Answer, SubmitError> {
        let mut found = self.look_up(firm, &submission.command, Looking::Now).await?;
        for _ in 0..LOOKS_MAX {
            match self.submit_once(firm, submission.clone(), found).await {
                Err(SubmitError::Unnamed) => {}
                answer => return answer,
            }
            found = self.look_up(firm, &submission.command, Looking::ToTheEnd).await?;
        }
        Err(SubmitError::Unavailable)
    }

    /// Where the name of a command is found that waits its turn with others; nothing if it has none.
    pub(crate) async fn found_for(
        &self,
        firm: FirmId,
        command: &Command,
    ) -> Result<Option<NameFound>, SubmitError> {
        self.look_up(firm, command, Looking::ToTheEnd).await
    }

    async fn look_up(
        &self,
        firm: FirmId,
        command: &Command,
        looking: Looking,
    ) -> Result<Option<NameFound>, SubmitError> {
        let Some(name) = command.movement_name() else { return Ok(None) };
        let end = match looking {
            Looking::Now => 0,
            Looking::ToTheEnd => self.head(firm).await.map_err(unread)?.position,
        };
        let begun = Instant::now();
        // The rows themselves count: whichever process moves them, and whatever generation is the active one.
        loop {
            let found = self.inner().store.named(firm, &name).await.map_err(unread)?;
            if end.saturating_sub(found.up_to) <= BEHIND_MAX {
                return self.brought_up_to(firm, found, end).await.map(Some);
            }
            if begun.elapsed() > PATIENCE {
                return Err(SubmitError::Unavailable);
            }
            // Hurries the projection, if it is this process that projects.
            let _ = self.wait_applied(firm, end, LOOK_AGAIN).await;
            tokio::time::sleep(LOOK_AGAIN).await;
        }
    }
}

impl Engine {
    /// What was found, and what the events behind it add. An event that nobody can read holds the read models up for
    /// good, and must hold up no payment: it tells no name that anybody could settle by.
    async fn brought_up_to(
        &self,
        firm: FirmId,
        mut found: NameFound,
        end: u64,
    ) -> Result<NameFound, SubmitError> {
        while found.up_to < end {
            let page = self.inner().store.read(firm, found.up_to, EVENTS_PAGE).await;
            let page = page.map_err(unread)?;
            let Some(last) = page.last() else { break };
            found.up_to = last.position;
            let readable =
                page.iter().filter_map(|stored| Recorded::from_bytes(&stored.bytes).ok());
            let told = readable.filter_map(|recorded| MovementName::told_by(&recorded));
            let of_name = told.filter(|(name, _)| name.reference() == found.name.reference());
            let accounts: Vec<AccountId> = of_name.map(|(_, account)| account).collect();
            found.accounts.extend(accounts);
        }
        Ok(found)
    }
}

fn unread(error: StoreError) -> SubmitError {
    tracing::warn!(error = crate::error::as_dyn(&error), "a processor's name was not looked up");
    match error {
        StoreError::Corrupt { position, .. } => SubmitError::Corrupt { position },
        error @ (StoreError::Answer { .. } | StoreError::Internal { .. }) => {
            SubmitError::Internal(error.to_string())
        }
        StoreError::Unavailable { .. }
        | StoreError::Conflict { .. }
        | StoreError::OutcomeUnknown { .. }
        | StoreError::Full { .. } => SubmitError::Unavailable,
    }
}
