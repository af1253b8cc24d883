//! One item at one bureau, with a fate of its own.

use calendar::CivilDate;
use calendar::obsolescence::{ObsoleteKind, must_not_report_from};

use super::Mark;
use crate::codec::{codes, record};
use crate::event::{Basis, ItemKind, SeenBy};
use crate::money::Money;
use crate::value::Text;

codes! {
    /// Where a listing stands.
    pub enum ListingStatus {
        /// On the report, not in dispute.
        Listed = "listed",
        /// In a letter that is not answered yet.
        InDispute = "in_dispute",
        /// Deleted.
        Deleted = "deleted",
        /// Corrected.
        Corrected = "corrected",
        /// Verified as it stands.
        Verified = "verified",
        /// Refused as frivolous.
        Refused = "refused",
        /// Came back after a deletion.
        Reinserted = "reinserted",
        /// The bureau did not answer in time: to be deleted (15 USC 1681i(a)(5)(A)).
        Unanswered = "unanswered",
    }
}

impl ListingStatus {
    /// Whether a letter may dispute it.
    pub const fn may_dispute(self) -> bool {
        !matches!(self, Self::Deleted)
    }

    /// Whether this is a result the client was promised.
    pub const fn is_result(self) -> bool {
        matches!(self, Self::Deleted | Self::Corrected)
    }
}

record! {
    /// A deletion or a correction, for as long as it stood.
    pub struct Achieved {
        /// The report that shows it, issued more than six months after it (16 CFR 310.4(a)(2)(ii)).
        shown: Option<Mark>,
        /// When it came about.
        since: Mark,
        /// What undid it: the listing came back, or another result took its place. A new dispute undoes nothing.
        undone: Option<Mark>,
    }
}

impl Achieved {
    /// Whether it stood on a day.
    pub fn stood_on(&self, day: CivilDate) -> bool {
        self.since.on <= day && self.undone.as_ref().is_none_or(|undone| day < undone.on)
    }
}

record! {
    /// A listing.
    pub struct Listing {
        /// Balance shown.
        balance: Option<Money>,
        /// Why the client says it is wrong.
        basis: Option<Basis>,
        /// The day on which a basis was first attested.
        basis_on: Option<CivilDate>,
        /// When the delinquency or case began.
        delinquent_since: Option<CivilDate>,
        /// Who reports it.
        furnisher: Text,
        /// What it is.
        kind: ItemKind,
        /// Every result there was, the latest last.
        results: Vec<Achieved>,
        /// When it was first seen.
        listed: Mark,
        /// Whether the bureau's notice of a reinsertion was seen.
        notice_seen: bool,
        /// How the latest change of status came to be known; nothing if a letter of the firm or a
        /// day that passed made it.
        seen_by: Option<SeenBy>,
        /// The latest change of status.
        since: Mark,
        /// Where it stands.
        status: ListingStatus,
    }
}

impl Listing {
    /// First day on which it may not be reported any more (15 USC 1681c(a)), if its beginning is known. That
    /// is a basis by itself.
    pub fn obsolete_from(&self) -> Option<CivilDate> {
        let kind = match self.kind {
            ItemKind::Collection | ItemKind::ChargeOff => ObsoleteKind::CollectionOrChargeOff,
            ItemKind::Bankruptcy => ObsoleteKind::Bankruptcy,
            ItemKind::LatePayments | ItemKind::PublicRecord => ObsoleteKind::OtherAdverse,
            // The statute does not speak of inquiries.
            ItemKind::Inquiry => return None,
        };
        Some(must_not_report_from(kind, self.delinquent_since?))
    }

    /// Moves to a status; a proof of an earlier result falls away with it.
    pub(super) fn become_status(
        &mut self,
        status: ListingStatus,
        seen_by: Option<SeenBy>,
        mark: Mark,
    ) {
        if (status.is_result() || status == ListingStatus::Reinserted)
            && let Some(standing) = self.standing_result_mut()
        {
            standing.undone = Some(mark.clone());
        }
        if status.is_result() {
            let since = mark.clone();
            self.results.push(Achieved { shown: None, since, undone: None });
        }
        self.status = status;
        self.seen_by = seen_by;
        self.since = mark;
    }

    /// The result that stands, if one does.
    pub fn standing_result(&self) -> Option<&Achieved> {
        self.results.last().filter(|result| result.undone.is_none())
    }

    pub(super) fn standing_result_mut(&mut self) -> Option<&mut Achieved> {
        self.results.last_mut().filter(|result| result.undone.is_none())
    }
}
