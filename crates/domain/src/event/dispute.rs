//! Reports, listings, rounds of letters and what bureaus answer.

use calendar::CivilDate;

use super::EventRef;
use crate::codec::{codes, record};
use crate::ids::{BureauCode, DocumentHash, ItemCode, TrackingCode};
use crate::money::Money;
use crate::value::{Personal, Text};

record! {
    /// The client's report source is connected.
    pub struct ReportSourceConnected {
        /// What the firm calls the source.
        source: Text,
    }
}

record! {
    /// The client failed the report provider's identity questions; a person has to help.
    pub struct ReportIdentityFailed {
        /// What the firm calls the source.
        source: Text,
    }
}

record! {
    /// A score with the model that made it; scores of different models do not compare.
    pub struct Score {
        /// The model's name.
        model: Text,
        /// The score.
        value: u16,
    }
}

record! {
    /// One negative listing on a report, with its values.
    pub struct ItemSeen {
        /// Balance shown.
        balance: Option<Money>,
        /// When the delinquency or case that the clock of 15 USC 1681c runs from began.
        delinquent_since: Option<CivilDate>,
        /// Who reports it.
        furnisher: Text,
        /// The item.
        item: ItemCode,
        /// What it is.
        kind: ItemKind,
    }
}

record! {
    /// A bureau's report was imported.
    pub struct ReportImported {
        /// The bureau.
        bureau: BureauCode,
        /// Sum of card balances.
        card_balance: Option<Money>,
        /// Sum of card limits.
        card_limit: Option<Money>,
        /// That it completes the period before its day, in the days of grace.
        completes_before: Option<bool>,
        /// The report itself.
        document: Option<DocumentHash>,
        /// Whether this is the free annual report (15 USC 1681j(a)(1)).
        free_annual: bool,
        /// Hard inquiries.
        inquiries: u16,
        /// The day the bureau issued it.
        issued_on: CivilDate,
        /// Every negative listing on it. Older events have none: their list follows from the order of the log.
        items: Option<Vec<ItemSeen>>,
        /// How many they are.
        listings: u32,
        /// The score.
        score: Option<Score>,
    }
}

codes! {
    /// What a negative entry is.
    pub enum ItemKind {
        /// An account with late payments.
        LatePayments = "late_payments",
        /// A debt in collection.
        Collection = "collection",
        /// A debt charged off.
        ChargeOff = "charge_off",
        /// A bankruptcy.
        Bankruptcy = "bankruptcy",
        /// Another public record.
        PublicRecord = "public_record",
        /// A hard inquiry.
        Inquiry = "inquiry",
    }
}

record! {
    /// A negative entry appears on a bureau's report for the first time.
    pub struct ItemListed {
        /// Balance shown.
        balance: Option<Money>,
        /// The bureau.
        bureau: BureauCode,
        /// When the delinquency or case that the clock of 15 USC 1681c runs from began.
        delinquent_since: Option<CivilDate>,
        /// Who reports it.
        furnisher: Text,
        /// The item.
        item: ItemCode,
        /// What it is.
        kind: ItemKind,
    }
}

codes! {
    /// Why the client says a listing is wrong.
    pub enum Basis {
        /// Not the client's.
        NotMine = "not_mine",
        /// The balance is wrong.
        BalanceWrong = "balance_wrong",
        /// Dates are wrong.
        DatesWrong = "dates_wrong",
        /// Status or payment history is wrong.
        StatusWrong = "status_wrong",
        /// Too old to be reported (15 USC 1681c).
        Obsolete = "obsolete",
        /// Identity theft.
        IdentityTheft = "identity_theft",
        /// Listed twice.
        Duplicate = "duplicate",
        /// Paid or settled.
        Paid = "paid",
        /// The bureau could not verify it in time (15 USC 1681i(a)(5)(A)).
        Unverified = "unverified",
    }
}

record! {
    /// The client attested why a listing is wrong. No basis, no dispute (15 USC 1679b(a)(1)).
    pub struct BasisAttested {
        /// The basis.
        basis: Basis,
        /// The bureau.
        bureau: BureauCode,
        /// The item.
        item: ItemCode,
        /// The client's own words.
        statement: Option<Personal>,
    }
}

record! {
    /// Everything is there and work may begin.
    pub struct WorkOpened {}
}

codes! {
    /// How a letter travels.
    pub enum MailClass {
        /// First-class mail.
        FirstClass = "first_class",
        /// Certified mail.
        Certified = "certified",
        /// The bureau's own portal.
        Portal = "portal",
        /// Fax.
        Fax = "fax",
    }
}

record! {
    /// One bureau's letter of a round.
    pub struct Letter {
        /// The bureau.
        bureau: BureauCode,
        /// The letter as sent.
        document: Option<DocumentHash>,
        /// The listings disputed.
        items: Vec<ItemCode>,
        /// How it travelled.
        mail_class: MailClass,
        /// Tracking number, if there is one.
        tracking: Option<TrackingCode>,
    }
}

record! {
    /// A round of dispute letters went out.
    pub struct RoundSent {
        /// That it completes the period before its day, in the days of grace.
        completes_before: Option<bool>,
        /// The contact whose address the letters carry: the one current that day.
        contact: EventRef,
        /// The letters.
        letters: Vec<Letter>,
        /// Counted from 1.
        round: u32,
    }
}

record! {
    /// A bureau received its letter, by the delivery scan.
    pub struct LetterDelivered {
        /// The bureau.
        bureau: BureauCode,
        /// The round.
        round: u32,
    }
}

record! {
    /// The client sent the bureau relevant information in the 30 days: 15 more, once
    /// (15 USC 1681i(a)(1)(B)).
    pub struct ClientInformationSent {
        /// The bureau.
        bureau: BureauCode,
        /// What was sent.
        document: Option<DocumentHash>,
        /// The round.
        round: u32,
    }
}

codes! {
    /// What became of a disputed listing.
    pub enum Outcome {
        /// Deleted.
        Deleted = "deleted",
        /// Corrected.
        Corrected = "corrected",
        /// Verified as it stands.
        Verified = "verified",
        /// The dispute was refused as frivolous or irrelevant (15 USC 1681i(a)(3)).
        Frivolous = "frivolous",
        /// No answer in time.
        NoAnswer = "no_answer",
    }
}

record! {
    /// One listing's outcome.
    pub struct ItemOutcome {
        /// The item.
        item: ItemCode,
        /// The outcome.
        outcome: Outcome,
    }
}

record! {
    /// A bureau answered a round.
    pub struct ResponseReceived {
        /// The bureau.
        bureau: BureauCode,
        /// The day on which the bureau determined that a dispute is frivolous, where it says so
        /// (15 USC 1681i(a)(3)(B)).
        determined_on: Option<CivilDate>,
        /// The scanned answer.
        document: Option<DocumentHash>,
        /// Outcomes, listing by listing.
        outcomes: Vec<ItemOutcome>,
        /// The round.
        round: u32,
    }
}

codes! {
    /// How a change of a listing came to be known.
    pub enum SeenBy {
        /// The bureau's answer said so.
        Response = "response",
        /// The next import shows it.
        Import = "import",
        /// The bureau's notice said so.
        Notice = "notice",
    }
}

record! {
    /// A listing was deleted.
    pub struct ItemDeleted {
        /// The bureau.
        bureau: BureauCode,
        /// The item.
        item: ItemCode,
        /// How it is known.
        seen_by: SeenBy,
    }
}

record! {
    /// A listing was corrected.
    pub struct ItemCorrected {
        /// The bureau.
        bureau: BureauCode,
        /// The item.
        item: ItemCode,
        /// How it is known.
        seen_by: SeenBy,
    }
}

record! {
    /// A listing was verified as it stands.
    pub struct ItemVerified {
        /// The bureau.
        bureau: BureauCode,
        /// The item.
        item: ItemCode,
    }
}

record! {
    /// A deleted listing came back (15 USC 1681i(a)(5)(B)).
    pub struct ItemReinserted {
        /// The bureau.
        bureau: BureauCode,
        /// The item.
        item: ItemCode,
        /// How it is known. By import alone means that the required notice was not seen.
        seen_by: SeenBy,
    }
}

codes! {
    /// What else a client may ask of a bureau, with a clock of its own.
    pub enum Ask {
        /// A description of the reinvestigation procedure (15 USC 1681i(a)(7)).
        ProcedureDescription = "procedure_description",
        /// A block after identity theft (15 USC 1681c-2(a)).
        TheftBlock = "theft_block",
    }
}

record! {
    /// The client asked a bureau for something with a statutory clock. The date is the bureau's receipt.
    pub struct BureauAsked {
        /// What was asked.
        ask: Ask,
        /// The bureau.
        bureau: BureauCode,
    }
}

codes! {
    /// How a bureau refuses a block after identity theft (15 USC 1681c-2(c)(1)).
    pub enum BlockRefusal {
        /// It does not block.
        Declined = "declined",
        /// It takes a block back.
        Rescinded = "rescinded",
    }
}

codes! {
    /// What a bureau may refuse a block for (15 USC 1681c-2(c)(1)(A) to (C)).
    pub enum BlockRefusedFor {
        /// It was blocked, or asked for, in error.
        Error = "error",
        /// The client misrepresented a material fact.
        Misrepresentation = "misrepresentation",
        /// The client obtained goods, services or money by the transaction.
        BenefitObtained = "benefit_obtained",
    }
}

record! {
    /// A block that a bureau refused.
    pub struct BlockRefused {
        /// The day on which it decided so.
        determined_on: CivilDate,
        /// How.
        how: BlockRefusal,
        /// Whether this is the bureau's notice of it; else it is known otherwise, and the notice has not come.
        is_notice: bool,
        /// What for, if the bureau said so.
        reason: Option<BlockRefusedFor>,
    }
}

record! {
    /// The bureau did what was asked, or refused it.
    pub struct BureauAnswered {
        /// What was asked.
        ask: Ask,
        /// The bureau.
        bureau: BureauCode,
        /// That it declined a block or took one back.
        refused: Option<BlockRefused>,
    }
}
