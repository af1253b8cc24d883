//! Requests for proof of the log.

use std::collections::BTreeSet;

use domain::ids::{CaseId, FirmId};
use domain::rules::{RulePack, check_pack};
use proof::note::Note;

use crate::field::{FieldErrors, Fields};
use crate::limit::EXPORT_CASES_MAX;
use crate::requests::read::{Page, USUAL, firm_name, page};
use crate::scalar::CivilDate;
use crate::{firm_action, name, v1};

/// One checkpoint.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CheckpointAsked {
    /// Of whose log.
    pub firm: FirmId,
    /// Of which size; the latest if none is given.
    pub size: Option<u64>,
}

/// The place of an event in a tree.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct InclusionAsked {
    /// In whose log.
    pub firm: FirmId,
    /// The event's position.
    pub position: u64,
    /// The size of the tree, at least the position; that of the latest checkpoint if none is given.
    pub tree_size: Option<u64>,
}

/// What a tree has of an earlier one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ConsistencyAsked {
    /// Of whose log.
    pub firm: FirmId,
    /// The size of the earlier tree.
    pub old_size: u64,
    /// The size of the later one, at least the earlier; that of the latest checkpoint if none is given.
    pub new_size: Option<u64>,
}

/// A note with a witness's signature.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CosignatureAsked {
    /// Of whose log.
    pub firm: FirmId,
    /// The note.
    pub note: Note,
}

/// Which part of a log.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum BundleScope {
    /// All of it.
    WholeLog,
    /// Some cases.
    Cases(BTreeSet<CaseId>),
    /// Every case with something that happened in some days.
    Days {
        /// The first.
        from: CivilDate,
        /// The last, not before the first.
        through: CivilDate,
    },
}

/// A bundle.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BundleAsked {
    /// Of whose log.
    pub firm: FirmId,
    /// Of which part.
    pub scope: BundleScope,
    /// Whether to hand out the keys of personal values.
    pub open_personal: bool,
    /// Whether to put documents in.
    pub documents: bool,
    /// The kept checkpoint to make it at; the end of the log if none is named.
    pub tree_size: Option<u64>,
}

/// Reads a `MakeCheckpoint`.
pub fn make_checkpoint(m: &v1::MakeCheckpointRequest) -> Result<FirmId, FieldErrors> {
    Fields::check(None, |f| firm_name(f, "parent", &m.parent))
}

/// Reads a `GetCheckpoint`.
pub fn get_checkpoint(m: &v1::GetCheckpointRequest) -> Result<CheckpointAsked, FieldErrors> {
    Fields::check(None, |f| {
        let rule = "must be firms/{firm}/checkpoints/{size} or firms/{firm}/checkpoints/latest";
        let (firm, size) = f.form("name", &m.name, rule, name::parse_checkpoint)?;
        Some(CheckpointAsked { firm, size })
    })
}

/// Reads a `ListCheckpoints`.
pub fn list_checkpoints(m: &v1::ListCheckpointsRequest) -> Result<Page<()>, FieldErrors> {
    page((&m.parent, m.page_size, &m.page_token, 0), USUAL, |_, _| Some(()))
}

/// Reads a `ListSigningKeys`.
pub fn list_signing_keys(m: &v1::ListSigningKeysRequest) -> Result<Page<()>, FieldErrors> {
    page((&m.parent, m.page_size, &m.page_token, 0), USUAL, |_, _| Some(()))
}

/// Reads a `GetInclusionProof`.
pub fn get_inclusion_proof(
    m: &v1::GetInclusionProofRequest,
) -> Result<InclusionAsked, FieldErrors> {
    Fields::check(None, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        let position = from_one(f, "position", m.position);
        let rule = "must be at least position";
        let tree_size = size_from(f, ("tree_size", m.tree_size), m.position, rule);
        Some(InclusionAsked { firm: firm?, position: position?, tree_size: tree_size? })
    })
}

/// Reads a `GetConsistencyProof`.
pub fn get_consistency_proof(
    m: &v1::GetConsistencyProofRequest,
) -> Result<ConsistencyAsked, FieldErrors> {
    Fields::check(None, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        let old_size = from_one(f, "old_size", m.old_size);
        let new_size =
            size_from(f, ("new_size", m.new_size), m.old_size, "must be at least old_size");
        Some(ConsistencyAsked { firm: firm?, old_size: old_size?, new_size: new_size? })
    })
}

/// Reads an `AddCosignature`.
pub fn add_cosignature(m: &v1::AddCosignatureRequest) -> Result<CosignatureAsked, FieldErrors> {
    Fields::check(None, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        let rule = "must be a signed note: a text, a blank line and signature lines";
        let note = f.form("note", &m.note, rule, |text| text.parse().ok());
        Some(CosignatureAsked { firm: firm?, note: note? })
    })
}

/// Reads an `ExportBundle`.
pub fn export_bundle(m: &v1::ExportBundleRequest) -> Result<BundleAsked, FieldErrors> {
    use v1::export_bundle_request::Scope;
    Fields::check(None, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        let scope = match &m.scope {
            None => f.refuse("scope", "is required: exactly one of whole_log, cases and days"),
            Some(Scope::WholeLog(v1::WholeLog {})) => Some(BundleScope::WholeLog),
            Some(Scope::Cases(m)) => f.within("cases", |f| cases(f, firm, &m.names)),
            Some(Scope::Days(m)) => f.within("days", |f| days(f, m)),
        };
        let size = f.position("tree_size", m.tree_size);
        let tree_size = size.map(|size| (size > 0).then_some(size));
        let (open_personal, documents) = (m.open_personal, m.documents);
        let (firm, scope) = (firm?, scope?);
        Some(BundleAsked { firm, scope, open_personal, documents, tree_size: tree_size? })
    })
}

fn cases(f: &mut Fields, firm: Option<FirmId>, names: &[String]) -> Option<BundleScope> {
    let rule = "must be firms/{firm}/cases/{case} of the firm that parent names";
    let named = f.each("names", names, 1..=EXPORT_CASES_MAX, |f, text| {
        let named = name::parse_case(text).filter(|(of, _)| firm.is_none_or(|firm| firm == *of));
        f.known_self(named.map(|(_, case)| case), rule)
    });
    Some(BundleScope::Cases(named?.into_iter().collect()))
}

fn days(f: &mut Fields, m: &v1::DaySelection) -> Option<BundleScope> {
    let from = f.date("from", m.from.as_ref());
    let through = f.date("through", m.through.as_ref());
    let (from, through) = (from?, through?);
    if through < from {
        return f.refuse("through", "must not come before from");
    }
    Some(BundleScope::Days { from, through })
}

/// A position or a size of a tree that holds anything.
fn from_one(f: &mut Fields, field: &str, number: i64) -> Option<u64> {
    if number < 1 {
        return f.refuse(field, "must be 1 or more");
    }
    f.position(field, number)
}

/// The size of a tree, nothing for 0.
fn size_from(
    f: &mut Fields,
    (field, size): (&str, i64),
    least: i64,
    rule: &str,
) -> Option<Option<u64>> {
    if size == 0 {
        return Some(None);
    }
    let size = f.position(field, size).map(Some);
    if size.is_some() && u64::try_from(least).is_ok_and(|least| size < Some(Some(least))) {
        return f.refuse(field, rule);
    }
    size
}

/// Reads a `ListDisallowedFees`.
pub fn list_disallowed_fees(
    m: &v1::ListDisallowedFeesRequest,
) -> Result<Page<RulePack>, FieldErrors> {
    let head = (m.parent.as_str(), m.page_size, m.page_token.as_str(), m.at_least_position);
    page(head, USUAL, |f, _| {
        let pack = firm_action::pack(f, &m.pack_json)?;
        match check_pack(&pack) {
            Some(rule) => f.refuse("pack_json", rule),
            None => Some(pack),
        }
    })
}
