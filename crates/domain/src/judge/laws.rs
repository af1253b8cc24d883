//! What the law asks of a fee, read once for all days between two of its changes.

use std::borrow::Cow;
use std::sync::OnceLock;

use calendar::CivilDate;

use super::story::Story;
use crate::firm::{FeeLaw, Firm, Known, Unknown};

/// The law of asking under each agreement of a story.
#[derive(Default)]
pub(super) struct Laws<'a> {
    spans: OnceLock<Spans<'a>>,
}

struct Spans<'a> {
    /// The days from which it may be another than on the day before, in order.
    changes: Vec<CivilDate>,
    /// Of each agreement, what it is before the first of them and from each of them.
    of_agreements: Vec<Vec<OnceLock<Option<Box<FeeLaw<'a>>>>>>,
}

impl<'a> Laws<'a> {
    /// The law of an agreement of a story on a day of asking; nothing without a federal pack in force.
    pub(super) fn of_asking(
        &self,
        firm: &'a Firm,
        story: &Story<'a>,
        agreement: usize,
        on: CivilDate,
    ) -> Option<Cow<'_, FeeLaw<'a>>> {
        let standing = &story.standing[agreement];
        let read = || firm.law_of_asking(standing.place, standing.signed_on(), on);
        let Spans { changes, of_agreements } = self.spans.get_or_init(|| {
            let changes = firm.law_changes();
            let unread = || (0..=changes.len()).map(|_| OnceLock::new()).collect();
            Spans { of_agreements: story.standing.iter().map(|_| unread()).collect(), changes }
        });
        let span = changes.partition_point(|day| *day <= on);
        let law = of_agreements[agreement][span].get_or_init(|| read().map(Box::new)).as_deref()?;
        if names_its_day(law) { read().map(Cow::Owned) } else { Some(Cow::Borrowed(law)) }
    }
}

/// Whether what is not known of it is told with the day of asking.
fn names_its_day(law: &FeeLaw<'_>) -> bool {
    let Known::Unknown(reasons) = &law.state else { return false };
    reasons.iter().any(|reason| matches!(reason, Unknown::NotInForce { .. }))
}
