//! Which faults strike, drawn from one seed so that a run can be repeated.

/// How often each fault strikes, in thousandths of the calls it can strike. The default is never.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct FaultPlan {
    /// Where the draws come from.
    pub seed: u64,
    /// A transaction cannot even begin.
    pub unreachable: u16,
    /// A commit fails before it lands, and says so.
    pub commit_fails: u16,
    /// A commit lands and its answer is lost.
    pub answer_lost: u16,
    /// A commit does not land and its answer is lost too: it looks like the one before.
    pub commit_vanishes: u16,
    /// Another process wrote a harmless event since the last transaction.
    pub other_writer: u16,
    /// A transaction, a page or a projection step is slow.
    pub slow: u16,
    /// A projection step fails before it lands.
    pub project_fails: u16,
    /// A projection step lands and its answer is lost, as if the projector was killed right then.
    pub project_answer_lost: u16,
}

/// How often each fault has struck.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Injected {
    /// See [`FaultPlan::unreachable`].
    pub unreachable: u64,
    /// See [`FaultPlan::commit_fails`].
    pub commit_fails: u64,
    /// See [`FaultPlan::answer_lost`].
    pub answer_lost: u64,
    /// See [`FaultPlan::commit_vanishes`].
    pub commit_vanishes: u64,
    /// See [`FaultPlan::other_writer`].
    pub other_writer: u64,
    /// See [`FaultPlan::slow`].
    pub slow: u64,
    /// See [`FaultPlan::project_fails`].
    pub project_fails: u64,
    /// See [`FaultPlan::project_answer_lost`].
    pub project_answer_lost: u64,
}

/// SplitMix64 (Steele, Lea and Flood, 2014; constants from memory): small, seeded, good enough to
/// pick faults with.
pub(super) struct Source(u64);

impl Source {
    pub(super) const fn new(seed: u64) -> Self {
        Self(seed)
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^ (mixed >> 31)
    }

    /// True so many times in a thousand. A fault that is off draws nothing.
    pub(super) fn draws(&mut self, per_thousand: u16) -> bool {
        per_thousand > 0 && self.next() % 1_000 < u64::from(per_thousand)
    }
}
