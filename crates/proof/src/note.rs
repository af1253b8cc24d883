//! Signed notes, C2SP signed-note (c2sp.org/signed-note) with Ed25519 signatures (RFC 8032).
//!
//! A note is a text, a blank line and one line for each signature. Whoever reads one knows some keys
//! and not others: signatures of unknown keys are carried along unread, and one of a known key that
//! does not hold spoils the whole note.

use std::fmt;
use std::str::FromStr;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use ed25519_dalek::{Signer as _, SigningKey, VerifyingKey};
use sha2::{Digest, Sha256};

/// Most bytes of a note: a checkpoint with its signatures has some hundred.
pub const NOTE_BYTES_MAX: usize = 65_536;
/// Most signatures of a note; C2SP asks for at least 16.
pub const SIGNATURES_MAX: usize = 64;
/// Most bytes of a key's name.
pub const KEY_NAME_BYTES_MAX: usize = 255;
/// Bytes of an Ed25519 seed or public key.
pub const KEY_BYTES: usize = 32;

/// The signature type of Ed25519, C2SP signed-note "Signature types".
const ED25519: u8 = 0x01;
const ID_BYTES: usize = 4;
const SIGNATURE_BYTES: usize = 64;
/// What every signature line begins with: an em dash and a space.
const SIGNATURE_PREFIX: &str = "\u{2014} ";

/// What is wrong with a note or a key.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NoteError {
    /// A key's name is empty, too long, or holds a space or a plus.
    #[error("a key's name is not empty, has no space and no plus, and has at most 255 bytes")]
    Name,
    /// The name of a key that is new here holds what a reader does not see, or may take for something else.
    #[error("the name of a new key is printable ASCII without spaces, such as ledger.example/firm")]
    NewName,
    /// A verifier key's text is not `name+id+key` of an Ed25519 key.
    #[error("a verifier key is name+id+key of an Ed25519 key, and its id is made of the other two")]
    Key,
    /// A text does not end in a newline, or holds another control character than newlines.
    #[error("a note's text ends in a newline and holds no other control character")]
    Text,
    /// There is no blank line, or what follows it are not signature lines alone.
    #[error("a note is a text, a blank line and signature lines")]
    Form,
    /// The note is larger than [`NOTE_BYTES_MAX`], or has more signatures than [`SIGNATURES_MAX`].
    #[error("a note has at most 65,536 bytes and 64 signatures")]
    Limit,
    /// A signature of a known key does not hold.
    #[error("a signature of a known key does not hold")]
    Signature,
    /// No signature is of a known key.
    #[error("no signature is of a known key")]
    Unsigned,
}

/// The name of a key: not empty, without spaces or a plus, such as `ledger.example/firm`.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct KeyName(String);

impl KeyName {
    /// Reads a name.
    pub fn parse(text: &str) -> Result<Self, NoteError> {
        let wrong = |c: char| c.is_whitespace() || c.is_control() || c == '+';
        if text.is_empty() || text.len() > KEY_NAME_BYTES_MAX || text.contains(wrong) {
            return Err(NoteError::Name);
        }
        Ok(Self(text.to_owned()))
    }

    /// The same name, if it may be given to a key that is new here: printable ASCII alone, so that it hides
    /// nothing and looks like no other. Names that others gave are read whatever they hold.
    pub fn for_new_key(self) -> Result<Self, NoteError> {
        if self.0.bytes().all(|byte| byte.is_ascii_graphic()) {
            Ok(self)
        } else {
            Err(NoteError::NewName)
        }
    }

    /// The text.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for KeyName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// The short id of a key: the first four bytes of SHA-256(name ‖ newline ‖ 0x01 ‖ public key).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct KeyId([u8; ID_BYTES]);

impl KeyId {
    /// Reads eight hexadecimal digits in lower case.
    pub fn parse(text: &str) -> Option<Self> {
        let mut id = [0; ID_BYTES];
        hex::decode_to_slice(text, &mut id).ok()?;
        (hex::encode(id) == text).then_some(Self(id))
    }

    fn of(name: &KeyName, key: &[u8; KEY_BYTES]) -> Self {
        let mut hasher = Sha256::new();
        hasher.update(name.as_str());
        hasher.update([b'\n', ED25519]);
        hasher.update(key);
        let hash: [u8; 32] = hasher.finalize().into();
        let (id, _) = hash.split_first_chunk().expect("a hash has more than four bytes");
        Self(*id)
    }
}

/// Eight hexadecimal digits.
impl fmt::Display for KeyId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&hex::encode(self.0))
    }
}

/// A public key under its name: all that is needed to check its signatures.
///
/// Its text is `name+id+base64(0x01 ‖ public key)`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct VerifierKey {
    name: KeyName,
    key: VerifyingKey,
}

impl VerifierKey {
    /// A key of its name and 32 bytes; [`NoteError::Key`] if they are no point of the curve in its one
    /// spelling (RFC 8032 section 5.1.3), or one of so low an order that anybody signs for it.
    pub fn new(name: KeyName, public_key: &[u8; KEY_BYTES]) -> Result<Self, NoteError> {
        let key = VerifyingKey::from_bytes(public_key).map_err(|_| NoteError::Key)?;
        if key.is_weak() || !is_below_modulus(public_key) {
            return Err(NoteError::Key);
        }
        Ok(Self { name, key })
    }

    /// Its name.
    pub const fn name(&self) -> &KeyName {
        &self.name
    }

    /// Its short id.
    pub fn id(&self) -> KeyId {
        KeyId::of(&self.name, self.key.as_bytes())
    }

    /// The 32 bytes.
    pub fn public_key(&self) -> &[u8; KEY_BYTES] {
        self.key.as_bytes()
    }

    fn has_made(&self, signature: &Signature, text: &str) -> bool {
        let bytes: Result<&[u8; SIGNATURE_BYTES], _> = signature.bytes.as_slice().try_into();
        bytes.is_ok_and(|bytes| {
            let signature = ed25519_dalek::Signature::from_bytes(bytes);
            self.key.verify_strict(text.as_bytes(), &signature).is_ok()
        })
    }
}

/// Whether the number of a point is below 2^255 - 19: above it the same point would have two spellings.
fn is_below_modulus(point: &[u8; KEY_BYTES]) -> bool {
    let [lowest, middle @ .., highest] = point;
    highest & 0x7f != 0x7f || middle.iter().any(|byte| *byte != 0xff) || *lowest < 0xed
}

impl fmt::Display for VerifierKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let typed = [&[ED25519][..], self.key.as_bytes()].concat();
        write!(f, "{}+{}+{}", self.name, self.id(), STANDARD.encode(typed))
    }
}

impl FromStr for VerifierKey {
    type Err = NoteError;

    fn from_str(text: &str) -> Result<Self, NoteError> {
        // The base64 alphabet has a plus, so only the first two are separators.
        let mut parts = text.splitn(3, '+');
        let (Some(name), Some(id), Some(typed)) = (parts.next(), parts.next(), parts.next()) else {
            return Err(NoteError::Key);
        };
        let name = KeyName::parse(name)?;
        let typed = STANDARD.decode(typed).map_err(|_| NoteError::Key)?;
        let (kind, key) = typed.split_first().ok_or(NoteError::Key)?;
        let key: &[u8; KEY_BYTES] = key.try_into().map_err(|_| NoteError::Key)?;
        let key = Self::new(name, key)?;
        if *kind != ED25519 || KeyId::parse(id) != Some(key.id()) {
            return Err(NoteError::Key);
        }
        Ok(key)
    }
}

/// A key that signs. It prints and copies its secret nowhere.
pub struct SignerKey {
    verifier: VerifierKey,
    key: SigningKey,
}

impl SignerKey {
    /// The key of a name and a seed: the secret key of RFC 8032 section 5.1.5.
    pub fn from_seed(name: KeyName, seed: &[u8; KEY_BYTES]) -> Self {
        let key = SigningKey::from_bytes(seed);
        Self { verifier: VerifierKey { name, key: key.verifying_key() }, key }
    }

    /// What others check its signatures with.
    pub const fn verifier(&self) -> &VerifierKey {
        &self.verifier
    }

    fn sign(&self, text: &str) -> Signature {
        Signature {
            name: self.verifier.name.clone(),
            id: self.verifier.id(),
            bytes: self.key.sign(text.as_bytes()).to_bytes().to_vec(),
        }
    }
}

impl fmt::Debug for SignerKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "SignerKey({})", self.verifier)
    }
}

/// One signature line, of whatever type its key is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Signature {
    name: KeyName,
    id: KeyId,
    bytes: Vec<u8>,
}

impl Signature {
    /// The name of the key that is said to have made it.
    pub const fn name(&self) -> &KeyName {
        &self.name
    }

    /// The id of that key.
    pub const fn id(&self) -> KeyId {
        self.id
    }
}

/// The line, without its newline.
impl fmt::Display for Signature {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let bytes = [&self.id.0[..], &self.bytes].concat();
        write!(f, "{SIGNATURE_PREFIX}{} {}", self.name, STANDARD.encode(bytes))
    }
}

impl FromStr for Signature {
    type Err = NoteError;

    fn from_str(line: &str) -> Result<Self, NoteError> {
        let named = line.strip_prefix(SIGNATURE_PREFIX).ok_or(NoteError::Form)?;
        let (name, signature) = named.split_once(' ').ok_or(NoteError::Form)?;
        let name = KeyName::parse(name)?;
        let bytes = STANDARD.decode(signature).map_err(|_| NoteError::Form)?;
        match bytes.split_first_chunk() {
            Some((id, bytes)) if !bytes.is_empty() => {
                Ok(Self { name, id: KeyId(*id), bytes: bytes.to_vec() })
            }
            Some(_) | None => Err(NoteError::Form),
        }
    }
}

/// A text and its signatures.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Note {
    text: String,
    signatures: Vec<Signature>,
}

impl Note {
    /// Signs a text, which ends in a newline.
    pub fn signed(text: String, keys: &[&SignerKey]) -> Result<Self, NoteError> {
        check_text(&text)?;
        let signatures = keys.iter().map(|key| key.sign(&text)).collect();
        Self { text, signatures }.checked()
    }

    /// The text that was signed, its final newline included.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// Every signature, known or not, in order.
    pub fn signatures(&self) -> &[Signature] {
        &self.signatures
    }

    /// The keys among those known that signed it: at least one, and none of them wrongly.
    pub fn verify<'k>(&self, known: &'k [VerifierKey]) -> Result<Vec<&'k VerifierKey>, NoteError> {
        let mut signers = Vec::new();
        for signature in &self.signatures {
            let named = |key: &&VerifierKey| key.name == signature.name && key.id() == signature.id;
            let mut candidates = known.iter().filter(named).peekable();
            if candidates.peek().is_none() {
                continue;
            }
            // An id has 32 bits: two keys may share it, and one of them has signed.
            let signer = candidates.find(|key| key.has_made(signature, &self.text));
            signers.push(signer.ok_or(NoteError::Signature)?);
        }
        if signers.is_empty() { Err(NoteError::Unsigned) } else { Ok(signers) }
    }

    /// The note with one more signature of the same text, such as a witness's; one that is there
    /// already is not repeated.
    pub fn with_signature(mut self, signature: Signature) -> Result<Self, NoteError> {
        if !self.signatures.contains(&signature) {
            self.signatures.push(signature);
        }
        self.checked()
    }

    fn checked(self) -> Result<Self, NoteError> {
        if self.signatures.is_empty() {
            return Err(NoteError::Form);
        }
        if self.signatures.len() > SIGNATURES_MAX || self.to_string().len() > NOTE_BYTES_MAX {
            return Err(NoteError::Limit);
        }
        Ok(self)
    }
}

fn check_text(text: &str) -> Result<(), NoteError> {
    let wrong = |c: char| c < ' ' && c != '\n';
    if text.ends_with('\n') && !text.contains(wrong) { Ok(()) } else { Err(NoteError::Text) }
}

impl fmt::Display for Note {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{}", self.text)?;
        self.signatures.iter().try_for_each(|signature| writeln!(f, "{signature}"))
    }
}

impl FromStr for Note {
    type Err = NoteError;

    fn from_str(note: &str) -> Result<Self, NoteError> {
        if note.len() > NOTE_BYTES_MAX {
            return Err(NoteError::Limit);
        }
        // The text may hold blank lines; signatures do not.
        let blank = note.rfind("\n\n").ok_or(NoteError::Form)?;
        let (text, signatures) = (&note[..=blank], &note[blank + 2..]);
        check_text(text)?;
        let signatures = signatures.strip_suffix('\n').ok_or(NoteError::Form)?;
        let signatures = signatures.split('\n').map(Signature::from_str);
        let signatures = signatures.collect::<Result<_, _>>()?;
        Self { text: text.to_owned(), signatures }.checked()
    }
}
