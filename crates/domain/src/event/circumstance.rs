//! What is true of a client from one day on, short of the agreement itself: who may write, charge, call and be
//! spoken to.

use calendar::CivilDate;

use crate::codec::{codes, record};
use crate::ids::DocumentHash;
use crate::money::Money;
use crate::value::Personal;

codes! {
    /// What of a client begins on a day and may end on another.
    pub enum Circumstance {
        /// The client took back the authority to write to bureaus, and did not cancel. Whoever gave it may take it back
        /// at any time (common law of agency, from memory).
        AuthorityRevoked = "authority_revoked",
        /// The client authorized charges that recur, in a writing (12 CFR 1005.10(b)). Its end is the client's
        /// revocation.
        ChargeMandate = "charge_mandate",
        /// The client was sent the amount and day of a charge that is not the agreed one (12 CFR 1005.10(d)).
        ChargeNotice = "charge_notice",
        /// The card on file draws on a bank account: charges that recur need a mandate (12 CFR 1005.2(k), 1005.10).
        DebitCard = "debit_card",
        /// The client asked not to be called (16 CFR 310.4(b)(1)(iii)(A)).
        DoNotCall = "do_not_call",
        /// The client withdrew the consent to electronic records (15 USC 7001(c)(4)).
        ElectronicRecordsWithdrawn = "electronic_records_withdrawn",
        /// Somebody else speaks for the client: counsel, a guardian, an agent under a power of attorney.
        Represented = "represented",
    }
}

codes! {
    /// Who ended the service.
    pub enum EndedBy {
        /// The client, at any time, without a minimum term.
        Client = "client",
        /// The firm.
        Firm = "firm",
        /// The client's death, on its day.
        Death = "death",
    }
}

record! {
    /// A circumstance of a client began or ended on the day of this event.
    pub struct CircumstanceChanged {
        /// Of a mandate the amount of a charge, or the most; of a notice the amount that it names. In the firm's
        /// currency.
        amount: Option<Money>,
        /// Of a notice the day of the charge.
        charge_on: Option<CivilDate>,
        /// What shows it.
        document: Option<DocumentHash>,
        /// Whether it holds from that day on. Otherwise it ended.
        holds: bool,
        /// What.
        kind: Circumstance,
        /// Of a mandate that states a range, the least.
        least: Option<Money>,
        /// Who speaks for the client.
        who: Option<Personal>,
    }
}

impl Circumstance {
    /// The law behind it.
    pub const fn cites(self) -> &'static str {
        match self {
            Self::AuthorityRevoked => "common law of agency",
            Self::ChargeMandate => "12 CFR 1005.10(b), (c)",
            Self::ChargeNotice => "12 CFR 1005.10(d)",
            Self::DebitCard => "12 CFR 1005.2(k), 1005.10(b)",
            Self::DoNotCall => "16 CFR 310.4(b)(1)(iii)(A), 310.5",
            Self::ElectronicRecordsWithdrawn => "15 USC 7001(c)(4)",
            Self::Represented => "common practice, no source",
        }
    }

    /// What it stops, and what may still be done: as it holds, or once it has ended.
    pub const fn follows(self, holds: bool) -> &'static str {
        match (self, holds) {
            (Self::AuthorityRevoked, true) => {
                "no letter may go out in the client's name; periods run on, and letters that leave earn nothing"
            }
            (Self::AuthorityRevoked, false) => "letters may go out in the client's name again",
            (Self::ChargeMandate, true) => {
                "the card may be charged amounts that the authorization names; others need notice 10 days before"
            }
            (Self::ChargeMandate, false) => {
                "the card may not be charged: the client pays otherwise, or signs a new authorization"
            }
            (Self::ChargeNotice, _) => {
                "one charge of that amount may be asked for from the day that the notice names"
            }
            (Self::DebitCard, true) => {
                "the card draws on a bank account: it is charged by a signed authorization alone"
            }
            (Self::DebitCard, false) => "the card draws on no bank account",
            (Self::DoNotCall, true) => "the client may not be called to sell anything",
            (Self::DoNotCall, false) => "the client may be called again",
            (Self::ElectronicRecordsWithdrawn, true) => {
                "papers go to the client on paper; those given electronically before stay valid"
            }
            (Self::ElectronicRecordsWithdrawn, false) => "papers may be given electronically again",
            (Self::Represented, true) => "speak with the representative and not with the client",
            (Self::Represented, false) => "the client speaks for himself or herself again",
        }
    }

    /// Whether the client is protected by its holding, and not by its end: on one day without a known order the
    /// reading that protects counts.
    pub const fn protects(self) -> bool {
        match self {
            Self::AuthorityRevoked
            | Self::DebitCard
            | Self::DoNotCall
            | Self::ElectronicRecordsWithdrawn
            | Self::Represented => true,
            Self::ChargeMandate | Self::ChargeNotice => false,
        }
    }
}
