//! Times the matching of a large month: 10,000 payments in 500 deposits, half of them named.
//!
//! `cargo run --release -p counterfoil-statement --example match_month`

use std::time::Instant;

use chrono::{Days, NaiveDate};
use counterfoil_statement::matching::{Certainty, Deposit, Movement, Payout, Window, propose};

fn main() {
    let first = NaiveDate::from_ymd_opt(2026, 3, 1).unwrap_or_default();
    let (mut deposits, mut movements, mut payouts) = (Vec::new(), Vec::new(), Vec::new());
    for number in 0..500_u64 {
        let on = first + Days::new(number % 28);
        let start = movements.len();
        for item in 0..20_u64 {
            let name = format!("m-{number}-{item}");
            let amount_minor =
                8_900 + i64::try_from((number * 31 + item * 7) % 97).unwrap_or(0) * 50;
            movements.push(Movement { amount_minor, happened_on: on, name });
        }
        let net_minor = movements[start..].iter().map(|m| m.amount_minor).sum::<i64>()
            - 500
            - i64::try_from(number).unwrap_or(0);
        let name = format!("po-{number}");
        let references = if number % 2 == 0 { vec![name.clone()] } else { Vec::new() };
        let booked_on = on + Days::new(2);
        let refused = Vec::new();
        let amount_minor = net_minor;
        deposits.push(Deposit { amount_minor, booked_on, references, refused, doubted: false });
        let places = (start..movements.len()).collect();
        payouts.push(Payout { name, net_minor, paid_on: on, movements: places });
    }
    let begun = Instant::now();
    let proposals = propose(&deposits, &movements, &payouts, Window::default());
    let took = begun.elapsed();
    let count = |wanted| proposals.iter().filter(|p| p.certainty == wanted).count();
    println!(
        "{} movements, {} deposits: {:.3} s; {} certain, {} only, {} one of several, {} open",
        movements.len(),
        deposits.len(),
        took.as_secs_f64(),
        count(Certainty::Certain),
        count(Certainty::Only),
        count(Certainty::OneOfSeveral),
        count(Certainty::Open),
    );
}
