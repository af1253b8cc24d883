//! One picture of all figures over the size of the log.

use std::path::Path;

use plotters::prelude::*;

use super::Point;

/// A part of the picture: its title, and the measures drawn in it.
type Panel = (&'static str, &'static [&'static str]);

const PANELS: [Panel; 6] = [
    (
        "append, events/s",
        &[
            "bulk append, 512 commands in flight",
            "bulk append, until read models have it",
            "append, 32 callers, recent clients",
            "append, 32 callers, any client",
        ],
    ),
    ("GetCase, us", &["GetCase, any client, p50", "GetCase, any client, p99"]),
    (
        "ListClaimable, page of 50, us",
        &[
            "ListClaimable, page by page, p50",
            "ListClaimable, page by page, p99",
            "ListClaimable, nothing to claim, p50",
        ],
    ),
    ("verify, events/s", &["verify, whole log"]),
    (
        "proof, us",
        &[
            "inclusion proof, any event, p50",
            "inclusion proof, any event, p99",
            "root of the log, p50",
        ],
    ),
    ("bytes/event", &["log and answers, with indexes", "read models and the rest, with indexes"]),
];
/// Columns and rows of panels.
const GRID: (usize, usize) = (3, 2);
const PANEL_PIXELS: (u32, u32) = (480, 340);

/// Draws every panel; events go to the right on a logarithmic scale, figures upwards from 0.
pub(crate) fn draw(points: &[Point], path: &Path) {
    let (columns, rows) = GRID;
    let (width, height) = PANEL_PIXELS;
    let size = (width * u32::try_from(columns).unwrap(), height * u32::try_from(rows).unwrap());
    let picture = SVGBackend::new(path, size).into_drawing_area();
    picture.fill(&WHITE).unwrap();
    for (area, panel) in picture.split_evenly((rows, columns)).iter().zip(PANELS) {
        draw_panel(area, panel, points);
    }
    picture.present().unwrap();
}

fn draw_panel(
    area: &DrawingArea<SVGBackend<'_>, plotters::coord::Shift>,
    panel: Panel,
    all: &[Point],
) {
    let (title, measures) = panel;
    let of = |measure: &str| -> Vec<(f64, f64)> {
        let points = all.iter().filter(|point| point.measure == measure);
        points.map(|point| (point.events as f64, point.value)).collect()
    };
    let lines: Vec<_> = measures.iter().map(|measure| (*measure, of(measure))).collect();
    let drawn = || lines.iter().flat_map(|(_, points)| points.iter().copied());
    let (least, most) =
        drawn().fold((f64::INFINITY, 1.0_f64), |(least, most), (x, _)| (least.min(x), most.max(x)));
    let top = drawn().fold(1.0_f64, |top, (_, y)| top.max(y)) * 1.5;
    let mut chart = ChartBuilder::on(area)
        .caption(title, ("sans-serif", 18))
        .margin(12)
        .x_label_area_size(42)
        .y_label_area_size(64)
        .build_cartesian_2d((least * 0.9..most * 1.1).log_scale(), 0.0..top)
        .unwrap();
    let mut sizes: Vec<String> = drawn().map(|(x, _)| format!("{x:.0}")).collect();
    sizes.sort_unstable_by_key(|size| (size.len(), size.clone()));
    sizes.dedup();
    let digits = |figure: &f64| format!("{figure:.0}");
    chart
        .configure_mesh()
        .x_desc(format!("events: {}", sizes.join(", ")))
        .x_labels(3)
        .x_label_formatter(&digits)
        .y_label_formatter(&digits)
        .light_line_style(WHITE)
        .draw()
        .unwrap();
    for (number, (measure, points)) in lines.into_iter().enumerate() {
        let colour = Palette99::pick(number).to_rgba();
        let line = LineSeries::new(points, colour.stroke_width(2)).point_size(4);
        chart
            .draw_series(line)
            .unwrap()
            .label(measure)
            .legend(move |(x, y)| PathElement::new([(x, y), (x + 16, y)], colour.stroke_width(2)));
    }
    chart
        .configure_series_labels()
        .position(SeriesLabelPosition::UpperRight)
        .background_style(WHITE.mix(0.8))
        .label_font(("sans-serif", 12))
        .draw()
        .unwrap();
}
