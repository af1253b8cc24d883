//! Names of resources and of streams.

use api::name;
use domain::event::StreamId;

/// One thing has one name: what is read is written back as the same text.
pub(crate) fn name(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    let checkpoint = |(firm, size)| match size {
        Some(size) => name::checkpoint(firm, size),
        None => name::latest_checkpoint(firm),
    };
    let written = [
        name::parse_firm(text).map(name::firm),
        name::parse_case(text).map(|(firm, case)| name::case(firm, case)),
        name::parse_account(text).map(|(firm, account)| name::account(firm, account)),
        name::parse_any_account(text).map(name::any_account),
        name::parse_invoice(text).map(|(firm, number)| name::invoice(firm, number)),
        name::parse_deposit(text).map(|(firm, deposit)| name::deposit(firm, deposit)),
        name::parse_checkpoint(text).map(checkpoint),
        StreamId::parse(text).map(|stream| stream.to_string()),
    ];
    let read: Vec<String> = written.into_iter().flatten().collect();
    assert!(read.len() <= 1, "{text:?} is the name of several things: {read:?}");
    assert!(read.iter().all(|written| written == text), "{text:?} is also {read:?}");
}
