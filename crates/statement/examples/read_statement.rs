//! What the reader makes of a bank statement in XML, as JSON, for other programs to be held against.
//!
//! Usage: `read_statement FILE...`. A line for each file: its statements, or the fault.

use std::process::ExitCode;

use counterfoil_statement::{Line, Statement, camt};
use serde_json::{Value, json};

fn main() -> ExitCode {
    for path in std::env::args().skip(1) {
        let bytes = match std::fs::read(&path) {
            Ok(bytes) => bytes,
            Err(error) => {
                eprintln!("{path}: {error}");
                return ExitCode::FAILURE;
            }
        };
        let answer = match camt::read(&bytes) {
            Ok(statements) => {
                json!({ "statements": statements.iter().map(of).collect::<Vec<_>>() })
            }
            Err(fault) => json!({ "fault": fault.to_string() }),
        };
        println!("{answer}");
    }
    ExitCode::SUCCESS
}

fn of(statement: &Statement) -> Value {
    json!({
        "account": statement.account,
        "currency": statement.currency,
        "lines": statement.lines.iter().map(line).collect::<Vec<_>>(),
        "pending": statement.pending,
    })
}

fn line(line: &Line) -> Value {
    json!({
        "amount": line.amount_minor,
        "booked": line.booked_on.to_string(),
        "value": line.value_on.map(|day| day.to_string()),
        "references": line.references,
        "reason": line.return_reason,
    })
}
