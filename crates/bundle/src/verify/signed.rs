//! Whose signatures hold: the keys that the bundle lists, those that the caller got elsewhere, and what each of
//! them may have signed.

use proof::Checkpoint;
use proof::note::{Note, VerifierKey};

use super::{Findings, Trust};
use crate::keys::{self, GivenKey, KeySpan, Sizes};
use crate::manifest::Format;
use crate::names;

const EARLIER: &str = "the earlier checkpoint";

/// The keys that a signature may be of.
pub(super) struct Keys<'a> {
    /// The key of the bundle, or if that is not one that was given, one that was.
    pub(super) own: Option<&'a VerifierKey>,
    /// Those that the caller gave.
    pub(super) given: &'a [GivenKey],
    /// What the bundle lists; nothing in the first version of the format.
    pub(super) spans: Option<Vec<KeySpan>>,
}

impl Keys<'_> {
    fn given(&self, key: &VerifierKey) -> Option<&GivenKey> {
        self.given.iter().find(|given| given.key == *key)
    }

    fn place(&self, key: &VerifierKey) -> Option<usize> {
        self.given.iter().position(|given| given.key == *key)
    }

    /// The keys that may have signed a checkpoint of the bundle's log up to its size: those that are listed for
    /// this size, or in the first version the bundle's, and none that by what the caller knows did not.
    fn known(&self, size: u64) -> Vec<VerifierKey> {
        let mut known = match &self.spans {
            Some(spans) => keys::of_size(spans, size),
            None => self.own.cloned().into_iter().collect(),
        };
        known.retain(|key| self.given(key).is_none_or(|given| given.covers(size)));
        known
    }

    fn is_listed(&self, key: &VerifierKey) -> bool {
        self.spans.iter().flatten().any(|span| span.key == *key)
    }

    /// Holds the bundle's checkpoint against them. Gives the keys that signed it.
    pub(super) fn bundled(
        &self,
        checkpoint: &Checkpoint,
        note: &Note,
        findings: &mut Findings,
    ) -> Vec<VerifierKey> {
        let known = self.known(checkpoint.size);
        let signers: Vec<VerifierKey> =
            note.verify(&known).unwrap_or_default().into_iter().cloned().collect();
        if signers.is_empty() {
            let what = "the signature does not hold, or is of a key that did not sign at this size";
            findings.of_file(names::CHECKPOINT, what);
        }
        self.tell_of(names::CHECKPOINT, &signers, findings);
        let own = self.own.and_then(|own| self.given(own));
        if let Some((given, last)) = own.and_then(|own| Some((own, own.last()?)))
            && last < checkpoint.size
        {
            let what = format!(
                "{} signed nothing behind size {last}, as the keys that were given say",
                given.key
            );
            findings.of_file(names::PUBLIC_KEY, what);
        }
        self.agree(checkpoint, findings);
        signers
    }

    /// What is worth knowing of the keys that signed something.
    fn tell_of(&self, file: &str, signers: &[VerifierKey], findings: &mut Findings) {
        for key in signers {
            let is_revoked = |span: &KeySpan| span.is_revoked && span.key == *key;
            if self.spans.iter().flatten().any(is_revoked) {
                let what =
                    format!("the firm took back the key that signed it, {}, since", key.id());
                findings.remark(file, None, None, what);
            }
            if !self.given.is_empty() && self.given(key).is_none() {
                let what = format!(
                    "it is signed by {key}, which is none of the keys that were given: only keys.txt, and so \
                     the key of the manifest, says that it is the firm's"
                );
                findings.remark(file, None, None, what);
            }
        }
    }

    /// Holds the bundle's list against what the caller knows of sizes.
    fn agree(&self, checkpoint: &Checkpoint, findings: &mut Findings) {
        let Some(spans) = &self.spans else { return };
        for given in self.given {
            let Some(Sizes { first: Some(first), last }) = given.sizes else { continue };
            let span = spans.iter().find(|span| span.key == given.key);
            let is_wrong = match span {
                Some(span) => {
                    let is_whole = last.filter(|last| *last <= checkpoint.size);
                    span.first != first
                        || last.is_some_and(|last| span.last > last)
                        || is_whole.is_some_and(|last| span.last != last)
                }
                None => first <= checkpoint.size && given.key.name() == &checkpoint.origin,
            };
            if is_wrong {
                let what =
                    format!("it does not say of {} what the keys that were given say", given.key);
                findings.of_file(names::KEYS, what);
            }
        }
    }

    /// The keys that may have signed an earlier checkpoint: those of the bundle, and those given that it does not
    /// list. One that is later than the bundle's may be of any that was in force by then.
    fn known_earlier(&self, earlier: &Checkpoint, now: Option<u64>) -> Vec<VerifierKey> {
        let is_later = now.is_none_or(|now| earlier.size > now);
        let mut known = if is_later { Vec::new() } else { self.known(earlier.size) };
        let given = self.given.iter().filter(|given| given.covers(earlier.size));
        let given = given.map(|given| &given.key).filter(|key| is_later || !self.is_listed(key));
        known.extend(given.cloned());
        known.extend(self.own.filter(|own| is_later && self.given(own).is_none()).cloned());
        known
    }

    /// What was noted earlier: the bundle must not be older, and the same size must have the same root. Gives
    /// what its log must begin with.
    pub(super) fn earlier(
        &self,
        trust: &Trust,
        checkpoint: Option<&Checkpoint>,
        signers: &[VerifierKey],
        findings: &mut Findings,
    ) -> Option<Checkpoint> {
        if let Some(size) = trust.not_before {
            stale(checkpoint, size, findings);
        }
        let note = trust.earlier.as_ref()?;
        let noted: Option<Checkpoint> = note.text().parse().ok();
        let now = checkpoint.map(|now| now.size);
        let known = noted.as_ref().map(|noted| self.known_earlier(noted, now)).unwrap_or_default();
        let (Some(noted), Ok(by)) = (noted, note.verify(&known)) else {
            let what = "it is not one that a key given, or one listed for its size, signed";
            findings.of_file(EARLIER, what);
            return None;
        };
        let by: Vec<VerifierKey> = by.into_iter().cloned().collect();
        self.tell_of(EARLIER, &by, findings);
        let now = checkpoint?;
        if now.origin != noted.origin {
            findings.of_file(EARLIER, "it is of another log");
            return None;
        }
        if now.size < noted.size {
            stale(checkpoint, noted.size, findings);
            return None;
        }
        if now.size == noted.size && now.root != noted.root {
            let what = "the log had another root at this size: the firm signed two histories";
            findings.of_file(names::CHECKPOINT, what);
        }
        self.in_order(&noted, &by, signers, findings);
        Some(noted)
    }

    /// The list has every key of this log that signed an earlier checkpoint, and no key goes on signing where one
    /// that came after it has begun.
    fn in_order(
        &self,
        noted: &Checkpoint,
        by: &[VerifierKey],
        signers: &[VerifierKey],
        findings: &mut Findings,
    ) {
        for key in by.iter().filter(|key| key.name() == &noted.origin) {
            if self.spans.is_some() && !self.is_listed(key) {
                let what =
                    format!("it does not list {key}, which signed the log at size {}", noted.size);
                findings.of_file(names::KEYS, what);
            }
        }
        let newest = by.iter().filter_map(|key| self.place(key)).max();
        let is_before = |key: &&VerifierKey| self.place(key).is_some_and(|at| Some(at) < newest);
        if let Some(key) = signers.iter().find(is_before)
            && !by.contains(key)
        {
            let what = format!(
                "{key} signed it, and of the keys that were given, oldest first, one after that had signed \
                 the log at size {} already",
                noted.size
            );
            findings.of_file(names::CHECKPOINT, what);
        }
    }
}

fn stale(checkpoint: Option<&Checkpoint>, size: u64, findings: &mut Findings) {
    if let Some(now) = checkpoint.filter(|now| now.size < size) {
        let what = format!("it is stale: the log had {size} events already, not {}", now.size);
        findings.of_file(names::CHECKPOINT, what);
    }
}

/// The list of keys; nothing in the first version of the format, which has none.
pub(super) fn spans(
    text: Option<&str>,
    has: bool,
    format: Format,
    size: Option<u64>,
    findings: &mut Findings,
) -> Option<Vec<KeySpan>> {
    if format == Format::V1 {
        if has {
            findings.of_file(names::KEYS, "the format has no file of this name");
        }
        return None;
    }
    if !has {
        findings.of_file(names::KEYS, "it is missing");
    }
    let Some(text) = text else { return Some(Vec::new()) };
    let spans = keys::from_lines(text, size);
    if spans.is_none() {
        let what = "it is not a list of keys, each once, by the first size they signed, none beyond the \
                    log's, and none behind the first of the next";
        findings.of_file(names::KEYS, what);
    }
    Some(spans.unwrap_or_default())
}
