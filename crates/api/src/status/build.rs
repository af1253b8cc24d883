//! A status with details, kept small enough for a trailer.

use std::collections::HashMap;
use std::fmt::Display;
use std::time::Duration;

use tonic::{Code, Status};
use tonic_types::{ErrorDetails, FieldViolation, PreconditionViolation, QuotaViolation, StatusExt};

/// The domain of every `ErrorInfo`.
pub const ERROR_DOMAIN: &str = "counterfoil";
/// Most bytes of a whole trailer: proxies and clients limit headers, some to 8 KiB in all.
pub const TRAILER_BYTES_MAX: usize = 4_096;

/// Most bytes of the encoded details: base64 makes 4 of 3, and the message stands beside them.
const DETAILS_BYTES_MAX: usize = 2_800;
/// Most violations listed; the number there were is in the metadata.
const VIOLATIONS_MAX: usize = 20;
/// Most bytes of a subject or field.
const SUBJECT_BYTES_MAX: usize = 128;
/// Most bytes of a description.
const DESCRIPTION_BYTES_MAX: usize = 320;
const VIOLATION_COUNT: &str = "violations";

/// One violation: type, subject, description.
pub(super) type Precondition = (String, String, String);

/// A status in the making.
pub(super) struct Answer {
    code: Code,
    reason: &'static str,
    message: &'static str,
    metadata: HashMap<String, String>,
}

impl Answer {
    pub(super) fn new(code: Code, reason: &'static str, message: &'static str) -> Self {
        Self { code, reason, message, metadata: HashMap::new() }
    }

    /// Adds metadata.
    pub(super) fn with(mut self, key: &str, value: impl Display) -> Self {
        self.metadata.insert(key.to_owned(), cut(&value.to_string(), DESCRIPTION_BYTES_MAX));
        self
    }

    fn finish(&self, add: impl FnOnce(&mut ErrorDetails)) -> Status {
        let mut details =
            ErrorDetails::with_error_info(self.reason, ERROR_DOMAIN, self.metadata.clone());
        add(&mut details);
        Status::with_error_details(self.code, self.message, details)
    }

    /// Nothing beside the reason.
    pub(super) fn status(self) -> Status {
        self.finish(|_| {})
    }

    /// With when to try again.
    pub(super) fn retry(self, delay: Duration) -> Status {
        self.finish(|details| {
            details.set_retry_info(Some(delay));
        })
    }

    /// With the resource it is about.
    pub(super) fn resource(self, resource_type: &str, name: &str, description: &str) -> Status {
        self.owned(resource_type, name, "", description)
    }

    /// The same, and whose it is.
    pub(super) fn owned(
        self,
        resource_type: &str,
        name: &str,
        owner: &str,
        description: &str,
    ) -> Status {
        let [name, owner] = [name, owner].map(|text| cut(text, SUBJECT_BYTES_MAX));
        let description = cut(description, DESCRIPTION_BYTES_MAX);
        self.finish(|details| {
            details.set_resource_info(resource_type, name, owner, description);
        })
    }

    /// With the quota that is used up.
    pub(super) fn quota(self, subject: &str, limit: &str) -> Status {
        let violation =
            QuotaViolation::new(cut(subject, SUBJECT_BYTES_MAX), cut(limit, DESCRIPTION_BYTES_MAX));
        self.finish(|details| {
            details.set_quota_failure(vec![violation]);
        })
    }

    /// With the fields at fault: path and rule.
    pub(super) fn bad_request(self, fields: Vec<(String, String)>) -> Status {
        let violation = |(field, rule): (String, String)| {
            FieldViolation::new(cut(&field, SUBJECT_BYTES_MAX), cut(&rule, DESCRIPTION_BYTES_MAX))
        };
        self.listing(&fields.into_iter().map(violation).collect::<Vec<_>>(), |details, fields| {
            details.set_bad_request(fields);
        })
    }

    /// With the rules in the way.
    pub(super) fn preconditions(self, rules: Vec<Precondition>) -> Status {
        let violation = |(rule, subject, description): Precondition| {
            PreconditionViolation::new(
                cut(&rule, SUBJECT_BYTES_MAX),
                cut(&subject, SUBJECT_BYTES_MAX),
                cut(&description, DESCRIPTION_BYTES_MAX),
            )
        };
        self.listing(&rules.into_iter().map(violation).collect::<Vec<_>>(), |details, rules| {
            details.set_precondition_failure(rules);
        })
    }

    /// Lists as many as fit, from the first.
    fn listing<V: Clone>(
        self,
        violations: &[V],
        add: impl Fn(&mut ErrorDetails, Vec<V>),
    ) -> Status {
        let answer = self.with(VIOLATION_COUNT, violations.len());
        let mut shown = violations.len().min(VIOLATIONS_MAX);
        loop {
            let status = answer.finish(|details| add(details, violations[..shown].to_vec()));
            if status.details().len() <= DETAILS_BYTES_MAX || shown == 0 {
                return status;
            }
            shown -= 1;
        }
    }
}

/// The text, or its beginning and an ellipsis.
fn cut(text: &str, bytes_max: usize) -> String {
    const ELLIPSIS: &str = "…";
    if text.len() <= bytes_max {
        return text.to_owned();
    }
    let end = text.floor_char_boundary(bytes_max - ELLIPSIS.len());
    format!("{}{ELLIPSIS}", &text[..end])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_is_cut_between_characters() {
        assert_eq!(cut("abc", 3), "abc");
        assert_eq!(cut("abcdef", 5), "ab…");
        assert!(cut(&"é".repeat(200), 128).len() <= 128);
    }
}
