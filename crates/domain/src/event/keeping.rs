//! What holds or ends the keeping of a client's record.

use crate::codec::{codes, record};
use crate::value::Text;

record! {
    /// A legal hold was placed: nothing of this client may be erased while it stands.
    pub struct LegalHoldPlaced {
        /// The matter, in words of the firm's own.
        matter: Text,
    }
}

record! {
    /// A legal hold was lifted.
    pub struct LegalHoldLifted {
        /// The matter it was placed for.
        matter: Text,
    }
}

codes! {
    /// Why a client was erased.
    pub enum ErasureBasis {
        /// The client asked for it.
        Asked = "asked",
        /// No law asks to keep the client's values any longer (16 CFR 682.3, 16 CFR 314.4(c)(6)).
        RetentionOver = "retention_over",
    }
}

record! {
    /// The key of the client's personal values was destroyed, in the same transaction. Every event stays
    /// as it is, and proves what it proved.
    pub struct ClientErased {
        /// Why.
        basis: ErasureBasis,
    }
}
