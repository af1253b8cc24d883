//! Whose law reaches an agreement, and how well it is known.

use std::collections::BTreeSet;
use std::fmt;

use calendar::CivilDate;

use crate::ids::StateCode;
use crate::judge::EDITION;
use crate::rules::{Dimension, MORE_ASKED_SINCE, PackRef};

/// Why the law of a state is not known on a day.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Unknown {
    /// The firm adopted no pack of the state.
    NoPack(StateCode),
    /// It adopted some, and none is in force.
    NotInForce {
        /// The state.
        state: StateCode,
        /// The day.
        on: CivilDate,
    },
    /// Nobody says that the law was read in a dimension.
    Unread {
        /// The pack.
        pack: PackRef,
        /// The dimension.
        dimension: Dimension,
    },
    /// The pack is neither confirmed nor used at the firm's own risk.
    Unconfirmed(PackRef),
}

impl fmt::Display for Unknown {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoPack(state) => write!(f, "no rule pack of {state} was adopted"),
            Self::NotInForce { state, on } => {
                write!(f, "no adopted rule pack of {state} is in force on {on}")
            }
            Self::Unread { pack: PackRef { code, version }, dimension } => {
                write!(f, "pack {code} version {version} does not say that {dimension} was read")
            }
            Self::Unconfirmed(PackRef { code, version }) => write!(
                f,
                "pack {code} version {version} is neither confirmed by counsel nor used at own risk"
            ),
        }
    }
}

impl Unknown {
    /// How it becomes known.
    pub const fn way_out(&self) -> &'static str {
        match self {
            Self::NoPack(_) => {
                "adopt a pack of the state, and have counsel confirm it or use it at the firm's own risk"
            }
            Self::NotInForce { .. } => {
                "adopt the version of the pack that is in force on that day, and have counsel confirm it or use it at the \
                 firm's own risk"
            }
            Self::Unread { .. } => {
                "adopt a version of the pack that says the law was read in it, and have counsel confirm it or use it at the \
                 firm's own risk"
            }
            Self::Unconfirmed(_) => {
                "have counsel confirm the pack, or use it at the firm's own risk, which is not open to one that says its law \
                 adds nothing"
            }
        }
    }
}

/// How well the law of a state is known.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Known {
    /// It was read, and counsel confirmed every pack.
    Confirmed,
    /// It was read, and these packs are used at the firm's own risk.
    AtOwnRisk(Vec<PackRef>),
    /// It is not, for each of these reasons.
    Unknown(Vec<Unknown>),
}

impl Known {
    /// The same as an earlier edition of the rules had it, which asked in fewer dimensions.
    #[must_use]
    pub(crate) fn of_edition(self, edition: u32) -> Self {
        let Self::Unknown(mut reasons) = self else { return self };
        if edition < MORE_ASKED_SINCE {
            reasons.retain(|reason| match reason {
                Unknown::Unread { dimension, .. } => !dimension.is_new(),
                Unknown::NoPack(_) | Unknown::NotInForce { .. } | Unknown::Unconfirmed(_) => true,
            });
        }
        if reasons.is_empty() { Self::Confirmed } else { Self::Unknown(reasons) }
    }
}

/// Where an agreement is: what decides whose law reaches it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Place<'a> {
    /// The client's state.
    pub state: StateCode,
    /// Other states in which something of the contract was done, as far as it was said.
    pub activity: Option<&'a BTreeSet<StateCode>>,
    /// The edition of the rules by which it is asked whose law reaches it.
    edition: u32,
}

/// The edition of the rules that first took a law that nobody read so far to reach wherever it may.
const REACH_ASKED_SINCE: u32 = 6;

impl<'a> Place<'a> {
    /// By the rules of today.
    pub const fn of(state: StateCode, activity: Option<&'a BTreeSet<StateCode>>) -> Self {
        Self { state, activity, edition: EDITION }
    }

    /// Whether an act reaches it of which nobody read how far it reaches.
    pub(super) const fn is_reached_by_the_unread(self) -> bool {
        self.edition >= REACH_ASKED_SINCE
    }

    /// The same by an earlier edition of the rules.
    pub(crate) const fn of_edition(self, edition: u32) -> Self {
        Self { edition, ..self }
    }
}

impl From<StateCode> for Place<'_> {
    fn from(state: StateCode) -> Self {
        Self::of(state, None)
    }
}
