//! What it takes to erase a client: a service that ended, and the years until its papers may go.

use std::path::{Path, PathBuf};

use api::google::r#type::Date;
use api::v1;
use domain::event::UtcMicros;

use super::id;

/// 2032-02-02 15:00 UTC: more than five years after the service ended.
pub const LATER: UtcMicros = UtcMicros(1_959_433_200_000_000);

pub fn end_service() -> v1::action::Action {
    v1::action::Action::EndService(v1::EndService {
        ended_by: v1::EndedBy::Client.into(),
        reason: String::new(),
    })
}

pub fn erasure(case: &str, occurred_on: Option<Date>) -> v1::ErasePersonRequest {
    v1::ErasePersonRequest {
        name: case.into(),
        request_id: id(),
        occurred_on,
        basis: v1::ErasureBasis::RetentionOver.into(),
    }
}

/// Every file below a folder; none if it is not there.
pub fn files(folder: &Path) -> Vec<PathBuf> {
    let Ok(entries) = std::fs::read_dir(folder) else { return Vec::new() };
    let paths = entries.map(|entry| entry.unwrap().path());
    paths.flat_map(|path| if path.is_dir() { files(&path) } else { vec![path] }).collect()
}
