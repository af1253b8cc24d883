//! Proofs of RFC 9162, each checked before it is given.

use api::FieldErrors;
use api::requests::{ConsistencyAsked, InclusionAsked};
use api::scalar::int64;
use api::status::Failure;
use api::v1;
use domain::ids::FirmId;
use log::Head;
use proof::tile::ProofPlan;
use proof::{Hash, leaf_hash, tree};

use super::checkpoint::{self, Signed, corrupt, hashes, root_from_tiles};
use crate::ledger::Ledger;

/// A tree of the log: its size, its root as known from elsewhere than its tiles, and the checkpoint
/// of that size.
struct Tree {
    size: u64,
    root: Hash,
    signed: Option<Signed>,
}

/// Proves that an event stands at its position.
pub(super) async fn inclusion(
    ledger: &Ledger,
    asked: InclusionAsked,
) -> Result<v1::GetInclusionProofResponse, Failure> {
    let InclusionAsked { firm, position, tree_size } = asked;
    let tree = asked_for(ledger, firm, tree_size, "tree_size").await?;
    let leaf_index = position - 1;
    let Some(plan) = ProofPlan::inclusion(leaf_index, tree.size) else {
        let rule = "must not be behind the latest checkpoint, if no tree_size is given";
        return Err(FieldErrors::one("position", rule).into());
    };
    let wait = ledger.limits().read_wait;
    let proved = ledger.engine().prove_event(firm, position, &plan, wait).await;
    let (event, hashes) = proved.map_err(checkpoint::unproved)?;
    let event = event.ok_or_else(|| corrupt(position, "the event is missing"))?;
    let leaf = leaf_hash(&event.bytes);
    tree::verify_inclusion(&leaf, leaf_index, tree.size, &hashes, &tree.root)
        .map_err(|_| corrupt(position, "the event is not the one that the root is made of"))?;
    Ok(v1::GetInclusionProofResponse {
        leaf_index: int64(leaf_index),
        tree_size: int64(tree.size),
        leaf_hash: bytes(&leaf),
        hashes: hashes.iter().map(bytes).collect(),
        root: bytes(&tree.root),
        checkpoint: shown(ledger, firm, tree).await?,
    })
}

/// Proves that a tree begins with an earlier one.
pub(super) async fn consistency(
    ledger: &Ledger,
    asked: ConsistencyAsked,
) -> Result<v1::GetConsistencyProofResponse, Failure> {
    let ConsistencyAsked { firm, old_size, new_size } = asked;
    let new = asked_for(ledger, firm, new_size, "new_size").await?;
    let old = asked_for(ledger, firm, Some(old_size), "old_size").await?;
    let Some(plan) = ProofPlan::consistency(old.size, new.size) else {
        let rule = "must not be behind the latest checkpoint, if no new_size is given";
        return Err(FieldErrors::one("old_size", rule).into());
    };
    let hashes = hashes(ledger, firm, &plan).await?;
    tree::verify_consistency(old.size, &old.root, new.size, &new.root, &hashes)
        .map_err(|_| corrupt(old.size, "the log does not begin with what it held"))?;
    Ok(v1::GetConsistencyProofResponse {
        old_size: int64(old.size),
        new_size: int64(new.size),
        hashes: hashes.iter().map(bytes).collect(),
        old_root: bytes(&old.root),
        new_root: bytes(&new.root),
        old_checkpoint: shown(ledger, firm, old).await?,
        new_checkpoint: shown(ledger, firm, new).await?,
    })
}

fn bytes(hash: &Hash) -> Vec<u8> {
    hash.as_bytes().to_vec()
}

async fn shown(
    ledger: &Ledger,
    firm: FirmId,
    tree: Tree,
) -> Result<Option<v1::Checkpoint>, Failure> {
    match tree.signed {
        Some(signed) => signed.message(ledger, firm).await.map(Some),
        None => Ok(None),
    }
}

/// The tree of a size, or of the latest checkpoint.
async fn asked_for(
    ledger: &Ledger,
    firm: FirmId,
    size: Option<u64>,
    field: &'static str,
) -> Result<Tree, Failure> {
    let signed = async {
        match size {
            Some(size) => checkpoint::of_size(ledger, firm, size).await,
            None => checkpoint::get(ledger, firm, None).await.map(Some),
        }
    };
    let (signed, head) = futures::join!(signed, ledger.engine().head(firm));
    let (signed, mut head) = (signed?, head?);
    if signed.as_ref().is_some_and(|signed| signed.checkpoint.size > head.position) {
        // It may have been signed after the head was read: only a head that is read later can accuse.
        head = ledger.engine().head(firm).await?;
    }
    let size = match (&signed, size) {
        (Some(signed), _) => signed.checkpoint.size,
        (None, size) => size.unwrap_or(head.position),
    };
    let root = match &signed {
        Some(_) if size > head.position => {
            return Err(corrupt(head.position, "the log ends before a checkpoint that is kept"));
        }
        Some(signed) => signed.checkpoint.root,
        None if size > head.position => {
            return Err(FieldErrors::one(field, "must not be larger than the log").into());
        }
        None => root_at(ledger, firm, &head, size).await?,
    };
    Ok(Tree { size, root, signed })
}

/// The root of a tree that nothing was signed of: it has to be one that the head continues.
async fn root_at(ledger: &Ledger, firm: FirmId, head: &Head, size: u64) -> Result<Hash, Failure> {
    if size == head.position {
        return Ok(head.root());
    }
    let root = root_from_tiles(ledger, firm, size).await?;
    let plan = ProofPlan::consistency(size, head.position);
    let plan = plan.ok_or_else(|| Failure::internal("a tree larger than the log"))?;
    let hashes = hashes(ledger, firm, &plan).await?;
    tree::verify_consistency(size, &root, head.position, &head.root(), &hashes)
        .map_err(|_| corrupt(size, "the tiles lead to another root than the head's"))?;
    Ok(root)
}
