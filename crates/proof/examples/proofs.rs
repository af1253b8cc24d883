//! Answers questions about trees, notes and canonical JSON, one JSON object a line, so that
//! `tests/reference/proof_reference.py` can hold the answers against other libraries.

use std::io::{self, BufRead as _, Write as _};

use counterfoil_proof::canonical::canonicalize;
use counterfoil_proof::note::{KeyName, Note, SignerKey, VerifierKey};
use counterfoil_proof::tile::{self, ProofPlan, TileId, Tiles};
use counterfoil_proof::{Checkpoint, Hash, leaf_hash, tree};
use serde_json::{Value, json};

fn main() -> io::Result<()> {
    let mut out = io::BufWriter::new(io::stdout().lock());
    for line in io::stdin().lock().lines() {
        let question: Value = serde_json::from_str(&line?).expect("a question is JSON");
        let answer = match text(&question, "kind") {
            "tree" => of_tree(&question),
            "sign" => signed(&question),
            "verify" => verified(&question),
            "canonical" => canonical(&question),
            other => panic!("{other} is no kind of question"),
        };
        writeln!(out, "{answer}")?;
    }
    out.flush()
}

fn text<'q>(question: &'q Value, member: &str) -> &'q str {
    question[member].as_str().expect("a text")
}

fn number(question: &Value, member: &str) -> u64 {
    question[member].as_u64().expect("a count")
}

fn bytes(value: &Value) -> Vec<u8> {
    hex::decode(value.as_str().expect("a text")).expect("hexadecimal digits")
}

fn hexes(hashes: &[Hash]) -> Vec<String> {
    hashes.iter().map(Hash::hex).collect()
}

/// Root and proofs of a tree, made from its tiles.
fn of_tree(question: &Value) -> Value {
    let entries = question["entries"].as_array().expect("a list");
    let leaves: Vec<Hash> = entries.iter().map(|entry| leaf_hash(&bytes(entry))).collect();
    let size = u64::try_from(leaves.len()).expect("a small tree");
    let tiles = tiles_of(&leaves);
    let made = |plan: Option<ProofPlan>| {
        let plan = plan.expect("inside the tree");
        hexes(&plan.make(&tiles).expect("every tile is there"))
    };
    json!({
        "root": made(Some(ProofPlan::root(size))),
        "inclusion": made(ProofPlan::inclusion(number(question, "index"), size)),
        "consistency": made(ProofPlan::consistency(number(question, "old_size"), size)),
    })
}

/// Every tile of a tree that has no more than two levels of them.
fn tiles_of(leaves: &[Hash]) -> Tiles {
    let size = u64::try_from(leaves.len()).expect("a small tree");
    let mut tiles = Tiles::new();
    let roots: Vec<Hash> = leaves.chunks_exact(256).map(tree::root_of).collect();
    for (level, hashes) in [(0, leaves), (1, roots.as_slice())] {
        for (index, hashes) in (0..).zip(hashes.chunks(256)) {
            let id = TileId::in_tree(level, index, size).expect("inside the tree");
            tiles.insert(id, hashes.to_vec());
        }
    }
    assert!(tile::levels(size).len() <= 2, "the tree is too large for this");
    tiles
}

/// A checkpoint signed with a seed, and the text of its key.
fn signed(question: &Value) -> Value {
    let name = KeyName::parse(text(question, "name")).expect("a name");
    let seed = bytes(&question["seed"]).try_into().expect("32 bytes");
    let root: [u8; 32] = bytes(&question["root"]).try_into().expect("32 bytes");
    let signer = SignerKey::from_seed(name.clone(), &seed);
    let body = Checkpoint::new(name, number(question, "size"), root.into()).body();
    let note = Note::signed(body, &[&signer]).expect("a checkpoint can be signed");
    json!({ "key": signer.verifier().to_string(), "note": note.to_string() })
}

/// Whether a note holds by a key.
fn verified(question: &Value) -> Value {
    let key: VerifierKey = text(question, "key").parse().expect("a key");
    let note: Result<Note, _> = text(question, "note").parse();
    let holds = note.is_ok_and(|note| note.verify(&[key]).is_ok());
    json!({ "holds": holds })
}

/// The canonical form of a text in hexadecimal digits, nothing if it has none.
fn canonical(question: &Value) -> Value {
    json!({ "canonical": canonicalize(text(question, "json")).ok().map(hex::encode) })
}
