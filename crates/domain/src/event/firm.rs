//! What happens to a firm: what it sells, which rules it follows, whom it writes to, who may look.

use std::collections::BTreeSet;

use calendar::{CivilDate, Zone};

use super::EventRef;
use crate::codec::{codes, record};
use crate::ids::{AccessId, BureauCode, CaseId, DocumentHash, PackCode, StateCode};
use crate::money::{Currency, Money};
use crate::rules::{PackHash, RulePack};
use crate::terms::Plan;
use crate::value::Text;

use super::{FirmEvent, LookKind};

record! {
    /// A firm was registered.
    pub struct FirmRegistered {
        /// The one currency of its books.
        currency: Currency,
        /// Days after issue on which an invoice is due.
        invoice_due_days: u16,
        /// Its name.
        name: Text,
        /// Days a letter is assumed to travel when no delivery scan says.
        transit_days: u16,
        /// Where its civil dates are.
        zone: Zone,
    }
}

record! {
    /// A plan was published.
    pub struct PlanPublished {
        /// The plan.
        plan: Plan,
    }
}

record! {
    /// A rule pack was adopted.
    pub struct PackAdopted {
        /// The pack, whole, so that the log explains itself.
        pack: RulePack,
    }
}

record! {
    /// The firm's counsel confirmed a version of a pack, on the day that this event happened. It serves
    /// every day of that version's force, whenever it is told.
    pub struct PackConfirmed {
        /// The pack.
        code: PackCode,
        /// Counsel's name.
        counsel: Text,
        /// What counsel signed.
        document: Option<DocumentHash>,
        /// The hash of the pack that counsel read.
        hash: PackHash,
        /// The version.
        version: u32,
    }
}

record! {
    /// An administrator uses a version of a pack that no counsel has confirmed, in what was read of the law.
    pub struct PackUsedAtOwnRisk {
        /// The pack.
        code: PackCode,
        /// Why.
        reason: Text,
        /// The version.
        version: u32,
    }
}

record! {
    /// A bureau the firm writes to.
    pub struct BureauRegistered {
        /// Where disputes go.
        address: Text,
        /// The firm's code for it.
        bureau: BureauCode,
        /// Its name.
        name: Text,
    }
}

pub use crate::rules::StandingKind;

record! {
    /// A registration or bond is on file with a state.
    pub struct StandingRecorded {
        /// The bond's amount.
        amount: Option<Money>,
        /// The paper.
        document: Option<DocumentHash>,
        /// What it is.
        kind: StandingKind,
        /// The state.
        state: StateCode,
        /// First day.
        valid_from: CivilDate,
        /// Last day.
        valid_through: CivilDate,
    }
}

codes! {
    /// Why a registration or bond ended before its last day.
    pub enum StandingEndReason {
        /// The surety cancelled the bond.
        SuretyCancelled = "surety_cancelled",
        /// The state took it back.
        Revoked = "revoked",
        /// The firm gave it up.
        Surrendered = "surrendered",
        /// It was recorded wrongly, and never stood as long as was recorded, or at all.
        RecordedWrongly = "recorded_wrongly",
    }
}

record! {
    /// A registration or bond that was recorded before ended early.
    pub struct StandingEnded {
        /// The paper that says so.
        document: Option<DocumentHash>,
        /// What ended.
        kind: StandingKind,
        /// Its last day now; the day before its first if it never stood.
        last_day: CivilDate,
        /// Why.
        reason: StandingEndReason,
        /// The state.
        state: StateCode,
        /// Its first day, which tells it from others of the state.
        valid_from: CivilDate,
    }
}

record! {
    /// Information of consumers was acquired by somebody without authorization (16 CFR 314.2(m)), as far as it is known. What
    /// is told last under a name counts: a count that grew, the notice to the Federal Trade Commission.
    pub struct SecurityEventRecorded {
        /// Of how many consumers.
        consumers: u32,
        /// The first day on which anybody of the firm but the culprit knew of it.
        discovered_on: CivilDate,
        /// What is known of it.
        document: Option<DocumentHash>,
        /// What the firm calls it. No place for personal data.
        name: Text,
        /// The day on which the Commission was notified.
        notified_on: Option<CivilDate>,
    }
}

record! {
    /// Every claimed fee was judged again on what the firm had told of itself and of the law by then, and marked.
    pub struct FeesReviewed {
        /// The edition of the rules that they were judged by.
        edition: u32,
        /// How many fees were marked anew.
        marked: u32,
        /// The position up to which the firm's own facts counted.
        through: u64,
    }
}

codes! {
    /// What a bearer token may do.
    pub enum Scope {
        /// Record actions.
        Record = "record",
        /// Read.
        Read = "read",
        /// Run billing, record payments.
        Bill = "bill",
        /// Read as an examiner.
        Examine = "examine",
        /// Change the firm: plans, packs, bureaus, tokens.
        Administer = "administer",
        /// Correct facts that were told wrongly. Never together with a scope that records or bills.
        Correct = "correct",
        /// Judge what the record shows, and keep money for a reason, each answered for by name. Never together
        /// with a scope that records or bills.
        Accept = "accept",
    }
}

record! {
    /// What an examiner's token is bound to.
    pub struct AccessBounds {
        /// The cases it shows; every one if there is none.
        cases: BTreeSet<CaseId>,
        /// The first day whose events it shows.
        from: Option<CivilDate>,
        /// The last day.
        through: Option<CivilDate>,
    }
}

record! {
    /// Somebody looked at the record of the firm, or took it along. Looks at clients are in streams of their
    /// own, see [`super::ClientLookedAt`]; older logs have them here.
    pub struct AccessUsed {
        /// The token; nothing for whoever holds the database.
        access: Option<AccessId>,
        /// The cases it was about, in older logs; none for the firm as a whole.
        cases: BTreeSet<CaseId>,
        /// How.
        kind: LookKind,
        /// What was asked: the RPC's name.
        what: Text,
    }
}

record! {
    /// A bearer token was given out. Only its hash is kept.
    pub struct AccessGranted {
        /// The token's public id.
        access: AccessId,
        /// What of the firm it is bound to; all of it if nothing is said.
        bounds: Option<AccessBounds>,
        /// Last day of validity.
        expires_on: Option<CivilDate>,
        /// Who or what it is for.
        label: Text,
        /// What it may do.
        scopes: BTreeSet<Scope>,
        /// SHA-256 of the token, which has 256 random bits and so needs no salt.
        token_hash: DocumentHash,
    }
}

record! {
    /// A bearer token was taken back.
    pub struct AccessRevoked {
        /// Which.
        access: AccessId,
    }
}

codes! {
    /// What a firm tells of itself that fees are judged by. Each is called as its event is.
    pub enum FirmFact {
        /// See [`PackAdopted`].
        PackAdopted = "pack_adopted",
        /// See [`PackConfirmed`].
        PackConfirmed = "pack_confirmed",
        /// See [`PackUsedAtOwnRisk`].
        PackUsedAtOwnRisk = "pack_used_at_own_risk",
        /// See [`StandingRecorded`].
        StandingRecorded = "standing_recorded",
        /// See [`StandingEnded`].
        StandingEnded = "standing_ended",
    }
}

record! {
    /// The firm told something wrongly of itself: it is taken back. What is true, if anything is told anew, is the
    /// event that follows in the log, and a fact of its own.
    pub struct FirmCorrected {
        /// That it is told anew by the event that follows.
        again: Option<bool>,
        /// The fact, as it was told.
        fact: EventRef,
        /// What kind of fact it is.
        kind: FirmFact,
        /// Why. No place for personal data.
        reason: Text,
        /// Who said so: an office or a role.
        said_by: Text,
    }
}

impl FirmEvent {
    /// Which fact it is, if fees are judged by it.
    pub const fn fact(&self) -> Option<FirmFact> {
        match self {
            Self::PackAdopted(_) => Some(FirmFact::PackAdopted),
            Self::PackConfirmed(_) => Some(FirmFact::PackConfirmed),
            Self::PackUsedAtOwnRisk(_) => Some(FirmFact::PackUsedAtOwnRisk),
            Self::StandingRecorded(_) => Some(FirmFact::StandingRecorded),
            Self::StandingEnded(_) => Some(FirmFact::StandingEnded),
            Self::FirmRegistered(_)
            | Self::PlanPublished(_)
            | Self::BureauRegistered(_)
            | Self::SecurityEventRecorded(_)
            | Self::FeesReviewed(_)
            | Self::AccessGranted(_)
            | Self::AccessRevoked(_)
            | Self::AccessUsed(_)
            | Self::ChartRevised(_)
            | Self::BankAccountDeclared(_)
            | Self::BankAccountTakenBack(_)
            | Self::CloseAccepted(_)
            | Self::CloseAcceptanceWithdrawn(_)
            | Self::PeriodLocked(_)
            | Self::MatchPolicySet(_)
            | Self::FirmCorrected(_) => None,
        }
    }

    /// Whether it tells something that fees are judged by.
    pub const fn bears_on_fees(&self) -> bool {
        match self {
            Self::FirmRegistered(_)
            | Self::PlanPublished(_)
            | Self::PackAdopted(_)
            | Self::PackConfirmed(_)
            | Self::PackUsedAtOwnRisk(_)
            | Self::StandingRecorded(_)
            | Self::StandingEnded(_)
            | Self::FirmCorrected(_) => true,
            Self::BureauRegistered(_)
            | Self::SecurityEventRecorded(_)
            | Self::FeesReviewed(_)
            | Self::AccessGranted(_)
            | Self::AccessRevoked(_)
            | Self::AccessUsed(_)
            | Self::ChartRevised(_)
            | Self::BankAccountDeclared(_)
            | Self::BankAccountTakenBack(_)
            | Self::CloseAccepted(_)
            | Self::CloseAcceptanceWithdrawn(_)
            | Self::PeriodLocked(_)
            | Self::MatchPolicySet(_) => false,
        }
    }
}
