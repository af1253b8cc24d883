//! Plain tables: aligned columns of text, wrapped to the width of the page.

use domain::text::shown;

/// Columns stand this far apart.
const GAP: &str = "  ";
/// The narrowest that a wrapped column becomes.
const WRAPPED_WIDTH_MIN: usize = 12;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Left,
    Right,
    Wrapped,
}

struct Column {
    title: &'static str,
    kind: Kind,
}

/// A table in the making.
pub(crate) struct Table {
    columns: Vec<Column>,
    rows: Vec<Vec<String>>,
}

impl Table {
    /// A table by its titles. A title that begins with `>` is of a column aligned right, for money
    /// and counts; one that begins with `~` is of one that wraps if the page is too narrow.
    pub(crate) fn new(titles: &[&'static str]) -> Self {
        let column = |title: &&'static str| match title.split_at_checked(1) {
            Some((">", title)) => Column { title, kind: Kind::Right },
            Some(("~", title)) => Column { title, kind: Kind::Wrapped },
            Some(_) | None => Column { title, kind: Kind::Left },
        };
        Self { columns: titles.iter().map(column).collect(), rows: Vec::new() }
    }

    /// Adds a row.
    pub(crate) fn row<const N: usize>(&mut self, cells: [String; N]) {
        assert_eq!(N, self.columns.len(), "a row has a cell for every column");
        self.rows.push(cells.into_iter().map(|cell| shown(&cell).into_owned()).collect());
    }

    /// Whether it has no row.
    pub(crate) fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// The lines, title line first, at most `width` wide where its wrapped columns allow it.
    pub(crate) fn lines(&self, width: usize) -> Vec<String> {
        let widths = self.widths(width);
        let titles = self.columns.iter().map(|column| column.title.to_owned()).collect();
        let rule = widths.iter().map(|width| "-".repeat(*width)).collect();
        let mut lines = Vec::new();
        for row in [&titles, &rule].into_iter().chain(&self.rows) {
            self.push_row(row, &widths, &mut lines);
        }
        lines
    }

    fn widths(&self, width: usize) -> Vec<usize> {
        let widest = |at: usize| {
            let cells = self.rows.iter().map(|row| wide(&row[at]));
            cells.max().unwrap_or(0).max(wide(self.columns[at].title))
        };
        let mut widths: Vec<usize> = (0..self.columns.len()).map(widest).collect();
        let gaps = GAP.len() * self.columns.len().saturating_sub(1);
        let mut over = (widths.iter().sum::<usize>() + gaps).saturating_sub(width);
        // The widest wrapped column gives first, so that no narrow one is squeezed for it.
        while over > 0 {
            let widest = self.columns.iter().enumerate().filter(|(at, column)| {
                column.kind == Kind::Wrapped && widths[*at] > WRAPPED_WIDTH_MIN
            });
            let Some((at, _)) = widest.max_by_key(|(at, _)| widths[*at]) else { break };
            widths[at] -= 1;
            over -= 1;
        }
        widths
    }

    fn push_row(&self, row: &[String], widths: &[usize], lines: &mut Vec<String>) {
        let cells: Vec<Vec<String>> = row
            .iter()
            .enumerate()
            .map(|(at, cell)| match self.columns[at].kind {
                Kind::Wrapped => wrap(cell, widths[at]),
                Kind::Left | Kind::Right => vec![cell.clone()],
            })
            .collect();
        let height = cells.iter().map(Vec::len).max().unwrap_or(0);
        for at_line in 0..height {
            let mut line = String::new();
            for (at, cell) in cells.iter().enumerate() {
                let text = cell.get(at_line).map_or("", String::as_str);
                let padding = " ".repeat(widths[at].saturating_sub(wide(text)));
                if at > 0 {
                    line.push_str(GAP);
                }
                match self.columns[at].kind {
                    Kind::Right => line.extend([padding.as_str(), text]),
                    Kind::Left | Kind::Wrapped => line.extend([text, padding.as_str()]),
                }
            }
            lines.push(line.trim_end().to_owned());
        }
    }
}

/// How many columns of a terminal a text takes.
pub(crate) fn wide(text: &str) -> usize {
    console::measure_text_width(text)
}

/// Breaks a text into lines between words; a word that is wider alone stands alone.
pub(crate) fn wrap(text: &str, width: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split_whitespace() {
        let line = lines.last_mut().expect("there is a line from the start");
        if line.is_empty() {
            line.push_str(word);
        } else if wide(line) + 1 + wide(word) <= width {
            line.push(' ');
            line.push_str(word);
        } else {
            lines.push(word.to_owned());
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(text: &str) -> String {
        text.to_owned()
    }

    #[test]
    fn money_stands_right_and_words_wrap() {
        let mut table = Table::new(&["case", ">amount", "~because"]);
        table.row([text("a"), text("USD 9.00"), text("the period is not over yet")]);
        table.row([text("bc"), text("USD 199.00"), text("held")]);
        assert_eq!(
            table.lines(32),
            [
                "case      amount  because",
                "----  ----------  --------------",
                "a       USD 9.00  the period is",
                "                  not over yet",
                "bc    USD 199.00  held",
            ]
        );
    }

    #[test]
    fn recorded_text_cannot_drive_the_terminal() {
        let mut table = Table::new(&["name"]);
        table.row([text("Ana\u{1b}[2J\nExample\u{202e}")]);
        assert_eq!(table.lines(80)[2], "Ana\u{fffd}[2J\u{fffd}Example\u{fffd}");
    }
}
