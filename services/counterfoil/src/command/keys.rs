//! `keys`.

use anyhow::Context;
use api::v1;
use bundle::{GivenKey, Sizes};
use clap::{Args, Subcommand};
use ledger::audit::KeyError;
use proof::note::{KeyId, KeyName, NoteError, VerifierKey};
use serde_json::json;

use crate::cli::Limit;
use crate::connect::Session;
use crate::exit::{Exit, Stop};
use crate::find::{Gathered, gather};
use crate::out::Out;
use crate::table::Table;
use crate::words;

/// What to do with the keys that sign checkpoints.
#[derive(Subcommand)]
pub(crate) enum KeysCommand {
    /// Make the firm's first signing key, or one after the last was revoked
    New(NewArgs),
    /// List every key, those of witnesses too
    List(Limit),
    /// Make a new key and retire the one in force: what it signed still holds
    Rotate,
    /// Take a key back: it signs no more, and nobody should trust it
    Revoke(RevokeArgs),
    /// Print what others check signatures with: the firm's keys, oldest first, one a line, each with the sizes of
    /// the log from the first checkpoint to the last that it signed; a hyphen where there is none yet
    ExportPublic,
    /// Register a witness, whose signatures are kept beside the firm's
    Witness(WitnessArgs),
}

/// A new key.
#[derive(Args)]
pub(crate) struct NewArgs {
    /// The origin of the firm's log, a name without a scheme that stays for ever;
    /// counterfoil.example/firms/UUID if not given
    #[arg(long, value_parser = new_name)]
    origin: Option<KeyName>,
}

/// Which key.
#[derive(Args)]
pub(crate) struct RevokeArgs {
    /// Its short id, as listed
    #[arg(value_parser = key_id)]
    key_id: KeyId,
}

/// Which witness.
#[derive(Args)]
pub(crate) struct WitnessArgs {
    /// The text of the witness's key: name+id+key
    verifier_key: VerifierKey,
}

fn key_id(text: &str) -> Result<KeyId, &'static str> {
    KeyId::parse(text).ok_or("a key id is eight hexadecimal digits")
}

/// Runs one.
pub(crate) async fn run(
    command: KeysCommand,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    match command {
        KeysCommand::New(args) => {
            let made = session.own_ledger()?.create_signing_key(session.firm_id()?, args.origin);
            let key = made.await.map_err(stopped)?;
            tell_key(&key, "The firm signs checkpoints with a new key:", out)
        }
        KeysCommand::Rotate => {
            let made = session.own_ledger()?.rotate_signing_key(session.firm_id()?);
            let key = made.await.map_err(stopped)?;
            tell_key(&key, "The firm signs with a new key from now on:", out)
        }
        KeysCommand::Revoke(args) => {
            let (firm, key_id) = (session.firm_id()?, args.key_id.to_string());
            session.own_ledger()?.revoke_signing_key(firm, &key_id).await.map_err(stopped)?;
            tell(out, &json!({ "revoked": key_id }), "The key is taken back.")?;
            out.note("Tell whoever holds its verifier key. Make another: counterfoil keys new")?;
            Ok(Exit::Done)
        }
        KeysCommand::Witness(args) => {
            let (firm, key) = (session.firm_id()?, args.verifier_key);
            let registered = session.own_ledger()?.register_witness(firm, &key).await;
            let new = registered.map_err(stopped)?;
            let said = if new { "The witness is registered." } else { "It was registered before." };
            tell(out, &json!({ "verifierKey": key.to_string(), "new": new }), said)?;
            Ok(Exit::Done)
        }
        KeysCommand::List(limit) => list(limit, session, out).await,
        KeysCommand::ExportPublic => export(session, out).await,
    }
}

fn tell(out: &mut Out, value: &serde_json::Value, text: &str) -> anyhow::Result<()> {
    if out.is_json() { out.value(value) } else { Ok(out.line(text)?) }
}

fn tell_key(key: &VerifierKey, said: &str, out: &mut Out) -> anyhow::Result<Exit> {
    if out.is_json() {
        let (key_id, key) = (key.id().to_string(), key.to_string());
        out.value(&json!({ "keyId": key_id, "verifierKey": key }))?;
        return Ok(Exit::Done);
    }
    out.note(said)?;
    out.line(key)?;
    out.note("Give this text to whoever checks the log; it is no secret.")?;
    Ok(Exit::Done)
}

fn stopped(error: KeyError) -> anyhow::Error {
    match error {
        KeyError::InForce { .. } => Stop::refused(format!("{error}; see: counterfoil keys rotate")),
        KeyError::NoneInForce => Stop::refused(format!("{error}; make one: counterfoil keys new")),
        KeyError::Unknown
        | KeyError::Origin { .. }
        | KeyError::TooManyWitnesses
        | KeyError::WitnessName => Stop::refused(error.to_string()),
        KeyError::Changed => Stop::unavailable(format!("{error}; look: counterfoil keys list")),
        KeyError::Note(_) | KeyError::Sealed(_) | KeyError::Store(_) => error.into(),
    }
}

async fn all(limit: usize, session: &mut Session) -> anyhow::Result<Gathered<v1::SigningKey>> {
    let parent = session.firm()?;
    let gathered = gather(limit, async |page_size, page_token| {
        let request = v1::ListSigningKeysRequest { parent: parent.clone(), page_size, page_token };
        let answer = session.audit.list_signing_keys(request).await?.into_inner();
        Ok((answer.keys, answer.next_page_token))
    });
    Ok(gathered.await?)
}

async fn list(limit: Limit, session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let keys = all(limit.limit, session).await?;
    if out.is_json() {
        let Gathered { entries, next_page_token } = keys;
        let position = session.position;
        let answer = v1::ListSigningKeysResponse { keys: entries, next_page_token, position };
        out.message(&answer, "ListSigningKeysResponse")?;
        return Ok(Exit::Done);
    }
    let mut table = Table::new(&["key", "state", "since", "signed sizes", "~verifier key"]);
    for key in &keys.entries {
        table.row([
            key.key_id.clone(),
            words::key_state(key.state),
            words::instant(key.created_at.as_ref()),
            match key.first_tree_size {
                0 => String::new(),
                first => format!("{first} to {}", key.last_tree_size),
            },
            key.verifier_key.clone(),
        ]);
    }
    out.table(&table, "No key was made; make one: counterfoil keys new")?;
    if let Some(more) = keys.more() {
        out.note(more)?;
    }
    Ok(Exit::Done)
}

async fn export(session: &mut Session, out: &mut Out) -> anyhow::Result<Exit> {
    let keys = all(usize::MAX, session).await?.entries;
    let given = keys.iter().map(given).collect::<anyhow::Result<Vec<_>>>()?;
    let given: Vec<GivenKey> = given.into_iter().flatten().collect();
    if out.is_json() {
        let lines: Vec<String> = given.iter().map(ToString::to_string).collect();
        out.value(&json!({ "verifierKeys": lines }))?;
        return Ok(Exit::Done);
    }
    if given.is_empty() {
        return Err(Stop::refused("the firm has no signing key; make one: counterfoil keys new"));
    }
    given.iter().try_for_each(|key| out.line(key)).context("cannot write the keys")?;
    Ok(Exit::Done)
}

/// A key of the firm as others should know it, if they should: what was retired signs nothing more, and if it never
/// signed anything nobody needs it.
fn given(key: &v1::SigningKey) -> anyhow::Result<Option<GivenKey>> {
    let size = |size: i64| u64::try_from(size).ok().filter(|size| *size > 0);
    let (first, last) = (size(key.first_tree_size), size(key.last_tree_size));
    let sizes = match key.state() {
        v1::SigningKeyState::Active => Sizes { first, last: None },
        v1::SigningKeyState::Retired if last.is_some() => Sizes { first, last },
        v1::SigningKeyState::Retired
        | v1::SigningKeyState::Revoked
        | v1::SigningKeyState::Witness
        | v1::SigningKeyState::Unspecified => return Ok(None),
    };
    let key = key.verifier_key.parse().context("a key of the firm does not read")?;
    Ok(Some(GivenKey { key, sizes: Some(sizes) }))
}

fn new_name(text: &str) -> Result<KeyName, NoteError> {
    KeyName::parse(text)?.for_new_key()
}

/// Says why a text is no verifier key, with or without the sizes that it signed.
pub(super) fn given_key(text: &str) -> Result<GivenKey, NoteError> {
    text.trim().parse()
}
