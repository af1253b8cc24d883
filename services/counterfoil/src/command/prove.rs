//! `prove`.

use api::v1;
use clap::{ArgGroup, Args};
use proof::Hash;

use crate::connect::{Session, patient};
use crate::exit::Exit;
use crate::out::Out;

/// What to prove.
#[derive(Args)]
#[command(group = ArgGroup::new("what").required(true))]
pub(crate) struct ProveArgs {
    /// That the event at this position is in the log
    #[arg(long, group = "what", value_parser = clap::value_parser!(i64).range(1..))]
    position: Option<i64>,
    /// The size of the log it is proved in; that of the latest checkpoint if not given
    #[arg(long, requires = "position", value_parser = clap::value_parser!(i64).range(1..))]
    size: Option<i64>,
    /// That the log begins with exactly what it held at this size
    #[arg(long, group = "what", value_parser = clap::value_parser!(i64).range(1..))]
    from: Option<i64>,
    /// The size of the log that does; that of the latest checkpoint if not given
    #[arg(long, requires = "from", value_parser = clap::value_parser!(i64).range(1..))]
    to: Option<i64>,
}

/// Proves it.
pub(crate) async fn run(
    args: &ProveArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let parent = session.firm()?;
    // Of a log that grew before tiles were kept, they are made first: both requests are patient.
    match (args.position, args.from) {
        (Some(position), _) => {
            let tree_size = args.size.unwrap_or_default();
            let message = v1::GetInclusionProofRequest { parent, position, tree_size };
            let answer = session.audit.get_inclusion_proof(patient(message)).await?.into_inner();
            if out.is_json() {
                out.message(&answer, "GetInclusionProofResponse")?;
                return Ok(Exit::Done);
            }
            out.line(format!("Event {position} is in the log of {} events.", answer.tree_size))?;
            out.field("leaf hash", hex(&answer.leaf_hash))?;
            show(&answer.hashes, "root", &answer.root, answer.checkpoint.as_ref(), out)?;
        }
        (None, from) => {
            let (old_size, new_size) = (from.unwrap_or_default(), args.to.unwrap_or_default());
            let message = v1::GetConsistencyProofRequest { parent, old_size, new_size };
            let answer = session.audit.get_consistency_proof(patient(message)).await?.into_inner();
            if out.is_json() {
                out.message(&answer, "GetConsistencyProofResponse")?;
                return Ok(Exit::Done);
            }
            let (old, new) = (answer.old_size, answer.new_size);
            out.line(format!("The log of {new} events begins with what it held at {old}."))?;
            out.field("earlier root", hex(&answer.old_root))?;
            let checkpoint = answer.new_checkpoint.as_ref();
            show(&answer.hashes, "later root", &answer.new_root, checkpoint, out)?;
        }
    }
    out.note("With --json it is a file that anybody can check: counterfoil check-proof FILE")?;
    Ok(Exit::Done)
}

fn hex(bytes: &[u8]) -> String {
    <[u8; 32]>::try_from(bytes).map(|bytes| Hash::from(bytes).hex()).unwrap_or_default()
}

fn show(
    hashes: &[Vec<u8>],
    which: &str,
    root: &[u8],
    checkpoint: Option<&v1::Checkpoint>,
    out: &mut Out,
) -> std::io::Result<()> {
    out.field(which, hex(root))?;
    for (at, hash) in hashes.iter().enumerate() {
        out.field(&format!("hash {}", at + 1), hex(hash))?;
    }
    let signed = checkpoint.map_or("nothing is signed of that size", |_| "in the checkpoint of it");
    out.field("root signed", signed)
}
