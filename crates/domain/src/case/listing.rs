//! One item at one bureau, with a fate of its own.

use std::sync::Arc;

use calendar::CivilDate;
use calendar::obsolescence::{ObsoleteKind, must_not_report_from};

use super::{Mark, Moment};
use crate::codec::{codes, record};
use crate::event::{Basis, ItemKind, ItemSeen, SeenBy};

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
}

codes! {
    /// What was achieved.
    pub enum Achievement {
        /// A deletion.
        Deleted = "deleted",
        /// A correction.
        Corrected = "corrected",
    }
}

record! {
    /// A deletion or a correction, for as long as it stood.
    pub struct Achieved {
        /// How it is known.
        seen_by: SeenBy,
        /// The report that shows it, issued more than six months after it (16 CFR 310.4(a)(2)(ii)).
        shown: Option<Mark>,
        /// When it came about.
        since: Mark,
        /// What undid it: the listing came back, a report shows it as before, or another result took its
        /// place. A new dispute undoes nothing.
        undone: Option<Mark>,
        /// Which.
        what: Achievement,
    }
}

impl Achieved {
    /// Whether it stood on a day.
    pub fn stood_on(&self, day: CivilDate) -> bool {
        self.since.on <= day && self.undone.as_ref().is_none_or(|undone| day < undone.on)
    }
}

record! {
    /// A deleted listing that came back (15 USC 1681i(a)(5)(B)).
    pub struct Reinsertion {
        /// The bureau's notice.
        notice: Option<Mark>,
        /// How it came to be known first.
        seen_by: SeenBy,
        /// When it was there again.
        since: Mark,
    }
}

record! {
    /// The client's word on why a listing is wrong.
    pub struct BasisTold {
        /// The basis.
        basis: Basis,
        /// Whether it came with the client's own words.
        has_statement: bool,
        /// The event.
        moment: Moment,
    }
}

record! {
    /// What is told of one listing alone.
    #[derive(Default)]
    pub struct OfListing {
        /// Bases, by their days.
        bases: Vec<BasisTold>,
        /// Whether it was gone by the order of the log. Lists of reports that older events do not hold
        /// follow from this, and nothing else does.
        is_gone_in_log: bool,
        /// The bureau's notices that it came back, by their days.
        notices: Vec<Moment>,
    }
}

impl OfListing {
    /// The day on which a basis was first attested.
    pub fn basis_on(&self) -> Option<CivilDate> {
        self.bases.first().map(|told| told.moment.on())
    }

    /// Whether anything is told.
    pub(super) fn is_told(&self) -> bool {
        !self.bases.is_empty() || !self.notices.is_empty()
    }
}

record! {
    /// A listing: what is told of it, and what follows from that and from reports, letters and answers.
    pub struct Listing {
        /// Why the client says it is wrong: the latest basis.
        basis: Option<Basis>,
        /// The day on which a basis was first attested.
        basis_on: Option<CivilDate>,
        /// When a report first showed it.
        listed: Mark,
        /// Every time it came back, the latest last.
        reinsertions: Vec<Reinsertion>,
        /// The letter that disputes it again though nothing new had come since it was verified.
        repeated: Option<Box<Mark>>,
        /// Every result there was, the latest last.
        results: Vec<Achieved>,
        /// As the latest report shows it that does.
        seen: Arc<ItemSeen>,
        /// How the latest change of status came to be known; nothing if a letter of the firm or a
        /// day that passed made it.
        seen_by: Option<SeenBy>,
        /// The latest change of status.
        since: Mark,
        /// Where it stands.
        status: ListingStatus,
        /// What is told of it alone.
        told: OfListing,
        /// The latest day of any fact of it but reports: what comes after that and them goes on from here.
        told_through: CivilDate,
        /// The answer that verified it, if nothing new came since: no other basis or word of the client, no
        /// information, no report. A bureau may refuse a dispute of it as frivolous (15 USC 1681i(a)(3)(A)).
        unchanged_since: Option<Box<Mark>>,
    }
}

impl Listing {
    /// First day on which it may not be reported any more (15 USC 1681c(a)), if its beginning is known. That
    /// is a basis by itself.
    pub fn obsolete_from(&self) -> Option<CivilDate> {
        let kind = match self.seen.kind {
            ItemKind::Collection | ItemKind::ChargeOff => ObsoleteKind::CollectionOrChargeOff,
            ItemKind::Bankruptcy => ObsoleteKind::Bankruptcy,
            ItemKind::LatePayments | ItemKind::PublicRecord => ObsoleteKind::OtherAdverse,
            // The statute does not speak of inquiries.
            ItemKind::Inquiry => return None,
        };
        Some(must_not_report_from(kind, self.seen.delinquent_since?))
    }

    /// The result that stands, if one does.
    pub fn standing_result(&self) -> Option<&Achieved> {
        self.results.last().filter(|result| result.undone.is_none())
    }

    /// Whether the bureau's notice of the latest reinsertion was seen.
    pub fn notice_seen(&self) -> bool {
        self.reinsertions.last().is_some_and(|back| back.notice.is_some())
    }

    /// The first time that it came back without the bureau's notice, while it is there.
    pub fn back_without_notice(&self) -> Option<&Reinsertion> {
        let is_there = self.status != ListingStatus::Deleted;
        self.reinsertions.iter().find(|back| is_there && back.notice.is_none())
    }
}
