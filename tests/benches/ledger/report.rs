//! Tables of medians, what they come to beside each other, and the machine they were measured on.

use std::collections::BTreeMap;

/// One measurement of many requests.
pub(crate) struct Measured {
    /// Requests a second.
    pub(crate) rate: f64,
    /// Latencies of single requests, in microseconds, sorted.
    pub(crate) micros: Vec<u64>,
}

impl Measured {
    /// What `span` seconds of so many latencies came to.
    pub(crate) fn of(mut micros: Vec<u64>, seconds: f64) -> Self {
        micros.sort_unstable();
        Self { rate: micros.len() as f64 / seconds, micros }
    }

    /// The latency that so many percent of the requests stayed below, in microseconds.
    pub(crate) fn percentile(&self, percent: usize) -> u64 {
        let at = (self.micros.len() * percent / 100).min(self.micros.len().saturating_sub(1));
        self.micros.get(at).copied().unwrap_or(0)
    }
}

/// What was measured of one thing, round by round.
#[derive(Default)]
struct Row {
    figures: Vec<f64>,
    p50: Vec<f64>,
    p99: Vec<f64>,
}

/// A table of figures, each the median of its rounds.
pub(crate) struct Table {
    title: String,
    order: Vec<String>,
    rows: BTreeMap<String, Row>,
}

/// One figure of a row.
#[derive(Clone)]
pub(crate) enum Of {
    /// The figure itself.
    Figure(String),
    /// The median latency, in microseconds.
    P50(String),
    /// The latency that 99 of 100 stayed below, in microseconds.
    P99(String),
}

impl Of {
    fn name(&self) -> String {
        match self {
            Self::Figure(row) => row.clone(),
            Self::P50(row) => format!("p50 in us: {row}"),
            Self::P99(row) => format!("p99 in us: {row}"),
        }
    }
}

/// The figure of a row.
pub(crate) fn figure(row: &str) -> Of {
    Of::Figure(row.into())
}

/// What a ratio, in percent, has to be.
enum Target {
    AtLeast(f64),
    AtMost(f64),
}

/// A figure of ours beside others, which count together.
pub(crate) struct Goal {
    own: Of,
    beside: Vec<Of>,
    target: Target,
    stretch: Option<f64>,
}

impl Goal {
    /// At least so many percent of another figure.
    pub(crate) fn at_least(percent: f64, own: Of, beside: Of) -> Self {
        Self { own, beside: vec![beside], target: Target::AtLeast(percent), stretch: None }
    }

    /// At most so many percent of the sum of other figures.
    pub(crate) fn at_most(percent: f64, own: Of, beside: &[Of]) -> Self {
        Self { own, beside: beside.to_vec(), target: Target::AtMost(percent), stretch: None }
    }

    /// What would be better still, in percent.
    pub(crate) fn stretch(self, percent: f64) -> Self {
        Self { stretch: Some(percent), ..self }
    }

    fn verdict(&self, percent: f64) -> String {
        match self.target {
            Target::AtLeast(least) => {
                let met = if percent >= least { "met" } else { "**missed**" };
                let stretch = self.stretch.map_or(String::new(), |stretch| {
                    let met = if percent >= stretch { "met" } else { "not met" };
                    format!("; {stretch:.0} %: {met}")
                });
                format!("≥ {least:.0} %: {met}{stretch}")
            }
            Target::AtMost(most) => {
                let met = if percent <= most { "met" } else { "**missed**" };
                format!("≤ {most:.0} %: {met}")
            }
        }
    }
}

impl Table {
    pub(crate) fn new(title: &str) -> Self {
        Self { title: title.into(), order: Vec::new(), rows: BTreeMap::new() }
    }

    fn row(&mut self, name: &str) -> &mut Row {
        if !self.rows.contains_key(name) {
            self.order.push(name.into());
        }
        self.rows.entry(name.into()).or_default()
    }

    /// One round's figure.
    pub(crate) fn add(&mut self, name: &str, figure: f64) {
        self.row(name).figures.push(figure);
    }

    /// One round's rate and latencies.
    pub(crate) fn add_latency(&mut self, name: &str, measured: &Measured) {
        let latency = (measured.percentile(50) as f64, measured.percentile(99) as f64);
        self.add_with_latency(name, measured.rate, latency);
    }

    /// One round's rate, median latency and p99.
    pub(crate) fn add_with_latency(&mut self, name: &str, rate: f64, (p50, p99): (f64, f64)) {
        let row = self.row(name);
        row.figures.push(rate);
        row.p50.push(p50);
        row.p99.push(p99);
    }

    /// Whether anything was measured under this name.
    pub(crate) fn has(&self, name: &str) -> bool {
        self.rows.contains_key(name)
    }

    /// The one of these rows that has the largest median.
    pub(crate) fn best<'n>(&self, names: &[&'n str]) -> &'n str {
        let largest = |a: &&&str, b: &&&str| {
            median(&self.rows[**a].figures).total_cmp(&median(&self.rows[**b].figures))
        };
        names.iter().max_by(largest).expect("rows to choose from")
    }

    /// The figure of the latest round.
    pub(crate) fn latest(&self, name: &str) -> f64 {
        *self.rows[name].figures.last().expect("a round")
    }

    /// The median of the rounds.
    pub(crate) fn median(&self, name: &str) -> f64 {
        median(&self.rows[name].figures)
    }

    fn figures(&self, of: &Of) -> &[f64] {
        match of {
            Of::Figure(row) => &self.rows[row].figures,
            Of::P50(row) => &self.rows[row].p50,
            Of::P99(row) => &self.rows[row].p99,
        }
    }

    pub(crate) fn print(&self) {
        println!("\n{}", self.title);
        for name in &self.order {
            let row = &self.rows[name];
            let (low, high) = range(&row.figures);
            print!(
                "  {name:<60} {:>10}   [{} to {}]",
                number(median(&row.figures)),
                number(low),
                number(high)
            );
            if !row.p50.is_empty() {
                let (p50, p99) = (median(&row.p50), median(&row.p99));
                print!("   p50 {} us, p99 {} us", number(p50), number(p99));
            }
            println!();
        }
    }

    /// Prints figures beside their ceilings and peers; a miss is said as one. A ratio is taken in each
    /// round, since both figures of a round stand under the same weather; the median of them counts.
    pub(crate) fn compare(&self, goals: &[Goal]) {
        println!("\n| measured | | beside it | | ratio | target |");
        println!("|---|---|---|---|---|---|");
        for goal in goals {
            let own = self.figures(&goal.own);
            let others: Vec<&[f64]> = goal.beside.iter().map(|of| self.figures(of)).collect();
            let beside: Vec<f64> =
                (0..own.len()).map(|round| others.iter().map(|of| of[round]).sum()).collect();
            let ratios: Vec<f64> =
                own.iter().zip(&beside).map(|(own, beside)| own / beside * 100.0).collect();
            let (low, high) = range(&ratios);
            let names: Vec<String> = goal.beside.iter().map(Of::name).collect();
            println!(
                "| {} | {} | {} | {} | {} % [{} to {}] | {} |",
                goal.own.name(),
                number(median(own)),
                names.join(" + "),
                number(median(&beside)),
                number(median(&ratios)),
                number(low),
                number(high),
                goal.verdict(median(&ratios))
            );
        }
    }
}

/// The middle one of some figures.
pub(crate) fn median(figures: &[f64]) -> f64 {
    let mut figures = figures.to_vec();
    figures.sort_by(f64::total_cmp);
    figures[figures.len() / 2]
}

fn range(figures: &[f64]) -> (f64, f64) {
    let low = figures.iter().copied().fold(f64::INFINITY, f64::min);
    (low, figures.iter().copied().fold(0.0, f64::max))
}

/// A figure with as many digits as it has meaning.
fn number(figure: f64) -> String {
    if figure >= 20.0 { format!("{figure:.0}") } else { format!("{figure:.2}") }
}

/// The machine, as far as it explains the figures.
pub(crate) fn machine(database: &str) {
    let cpu = std::fs::read_to_string("/proc/cpuinfo").unwrap_or_default();
    let model = cpu.lines().find_map(|l| l.strip_prefix("model name")).unwrap_or(": unknown");
    let cores = std::thread::available_parallelism().map_or(0, std::num::NonZero::get);
    println!("machine: {cores} cores, {}", model.trim_start_matches(['\t', ' ', ':']));
    println!("client, server and database share them; {database}");
    let load = std::fs::read_to_string("/proc/loadavg").unwrap_or_default();
    let load: Vec<&str> = load.split_whitespace().take(3).collect();
    println!("load average as the bench began, over 1, 5 and 15 minutes: {}", load.join(" "));
    println!(
        "every figure: median of {} rounds of {} s, [lowest to highest]",
        super::ROUNDS,
        super::SPAN.as_secs_f64()
    );
}
