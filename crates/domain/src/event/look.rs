//! Who looked at a client: a stream of its own, so that reading a case neither changes it nor shows who
//! looked at others.

use crate::codec::{codes, record};
use crate::ids::AccessId;
use crate::value::Text;

codes! {
    /// How somebody looked.
    pub enum LookKind {
        /// An examiner read something.
        Read = "read",
        /// A part of the log was exported.
        Export = "export",
        /// Personal values were opened, or handed out with the keys that open them.
        Open = "open",
    }
}

record! {
    /// Somebody looked at a client's record, or took it along: who looked at what is part of it.
    pub struct ClientLookedAt {
        /// The token; nothing for whoever holds the database.
        access: Option<AccessId>,
        /// How.
        kind: LookKind,
        /// What was asked: the RPC's name.
        what: Text,
    }
}
