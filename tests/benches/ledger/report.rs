//! Tables of medians, and the machine they were measured on.

use std::collections::BTreeMap;

/// One measurement of many requests.
pub(crate) struct Measured {
    /// Requests a second.
    pub(crate) rate: f64,
    /// Latencies of single requests, in microseconds, sorted.
    pub(crate) micros: Vec<u64>,
}

impl Measured {
    fn percentile(&self, percent: usize) -> u64 {
        let at = (self.micros.len() * percent / 100).min(self.micros.len().saturating_sub(1));
        self.micros.get(at).copied().unwrap_or(0)
    }
}

struct Row {
    rates: Vec<f64>,
    latency: Vec<(u64, u64)>,
}

/// A table of rates, each the median of its rounds.
pub(crate) struct Table {
    title: String,
    order: Vec<String>,
    rows: BTreeMap<String, Row>,
}

impl Table {
    pub(crate) fn new(title: &str) -> Self {
        Self { title: title.into(), order: Vec::new(), rows: BTreeMap::new() }
    }

    pub(crate) fn add(&mut self, name: &str, rate: f64, latency: Option<(u64, u64)>) {
        if !self.rows.contains_key(name) {
            self.order.push(name.into());
        }
        let row =
            self.rows.entry(name.into()).or_insert(Row { rates: Vec::new(), latency: Vec::new() });
        row.rates.push(rate);
        row.latency.extend(latency);
    }

    pub(crate) fn add_latency(&mut self, name: &str, measured: &Measured) {
        let latency = (measured.percentile(50), measured.percentile(99));
        self.add(name, measured.rate, Some(latency));
    }

    fn median(&self, name: &str) -> f64 {
        let mut rates = self.rows[name].rates.clone();
        rates.sort_by(f64::total_cmp);
        rates[rates.len() / 2]
    }

    pub(crate) fn print(&self) {
        println!("\n{}", self.title);
        for name in &self.order {
            let row = &self.rows[name];
            let low = row.rates.iter().copied().fold(f64::INFINITY, f64::min);
            let high = row.rates.iter().copied().fold(0.0, f64::max);
            print!("  {name:<58} {:>10.0}   [{low:.0} to {high:.0}]", self.median(name));
            let mut latency = row.latency.clone();
            latency.sort_unstable();
            if let Some((p50, p99)) = latency.get(latency.len() / 2) {
                print!("   p50 {p50} us, p99 {p99} us");
            }
            println!();
        }
    }

    /// Prints a ratio beside its target; a miss is said as one.
    pub(crate) fn ratio(&self, own: &str, of: &str, target: f64) {
        let ratio = self.median(own) / self.median(of);
        let verdict = if ratio >= target { "met" } else { "MISSED" };
        println!(
            "  {:.0} % of {of} ({own}); target {:.0} %: {verdict}",
            ratio * 100.0,
            target * 100.0
        );
    }
}

/// The machine, as far as it explains the figures.
pub(crate) fn machine() {
    let cpu = std::fs::read_to_string("/proc/cpuinfo").unwrap_or_default();
    let model = cpu.lines().find_map(|l| l.strip_prefix("model name")).unwrap_or(": unknown");
    let cores = std::thread::available_parallelism().map_or(0, std::num::NonZero::get);
    println!("machine: {cores} cores, {}", model.trim_start_matches(['\t', ' ', ':']));
    println!("client, server and database share them; SQLite in WAL mode, synchronous=FULL");
    println!(
        "every figure: median of {} rounds of {} s, [lowest to highest]",
        super::ROUNDS,
        super::SPAN.as_secs()
    );
}
