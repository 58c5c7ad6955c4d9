//! The live view drawn from its values. Nothing is told by colour alone; everything fits 80 columns and 24 rows, and what
//! does not fit a smaller terminal is left out from the end of this list: power, phases, limits, notes, counters, other
//! meters, plot.

use std::fmt::Write as _;

use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::style::{Color, Modifier, Style};
use ratatui::text::{Line, Span as Piece};
use ratatui::widgets::Paragraph;

use super::board::{Board, Panel, Way};
use super::digits;
use crate::base::{Phase, Quantity, Stamp};
use crate::check::limit::words::rule_name;
use crate::profile::{MeterRole, Per};
use crate::report::plot::{FEWEST_ROWS, Plot, ROWS};
use crate::report::text::wrapped;

/// Rows that the large digits need at least, beside everything else that matters.
const TALL: u16 = 18;
/// Columns that the large digits and the words beside them need.
const WIDE: u16 = 66;
/// A plot gains nothing from more rows.
const MOST_ROWS: usize = 16;

/// Draws everything.
pub(super) fn draw(board: &Board, now: Stamp, colour: bool, frame: &mut Frame<'_>) {
    let area = frame.area();
    if let Some(address) = board.page.as_ref().filter(|_| !board.code.is_empty()) {
        frame.render_widget(Paragraph::new(code(board, address, area.width)), area);
        return;
    }
    let Some(panel) = board.meters.get(board.chosen) else { return };
    let ink = Ink { colour };
    let mut text = vec![title(board, panel, now, area.width)];
    text.extend(power(panel, board, now, area, ink));
    text.extend(phases(panel, now, ink));
    let others = others(board, now);
    let feet = feet(board, area.width);
    let notes = board.notes.iter().flat_map(|note| {
        let rows = wrapped("", note, usize::from(area.width));
        rows.lines().map(|row| Line::from(row.to_owned())).collect::<Vec<_>>()
    });
    let notes = notes.collect();
    let rules = rules(panel, now, ink);
    let energy = energy(panel, now);
    let mut room = usize::from(area.height).saturating_sub(text.len() + feet.len());
    let mut take = |lines: Vec<Line<'static>>| {
        if lines.len() > room {
            return Vec::new();
        }
        room -= lines.len();
        lines
    };
    let (rules, notes, energy, others) = (take(rules), take(notes), take(energy), take(others));
    let parts = [others, rules, energy, notes];
    let gaps = parts.iter().filter(|part| !part.is_empty()).count() + 1;
    // Empty rows between the parts only where the plot does not need them.
    let gap = room > ROWS + gaps;
    let high = if gap { room - gaps } else { room };
    for part in parts {
        if gap && !part.is_empty() {
            text.push(Line::default());
        }
        text.extend(part);
    }
    if high > FEWEST_ROWS {
        text.extend(gap.then(Line::default));
        text.extend(plot(panel, now, area.width, (high - 1).min(MOST_ROWS)));
    }
    frame.render_widget(Paragraph::new(text), area);
    let height = u16::try_from(feet.len()).unwrap_or(0).min(area.height);
    let bottom = Rect { y: area.y + area.height - height, height, ..area };
    frame.render_widget(Paragraph::new(feet), bottom);
}

/// How things are written: with colour where that is wanted, and always with something else beside it.
#[derive(Clone, Copy)]
struct Ink {
    colour: bool,
}

impl Ink {
    fn way(self, way: Way) -> Style {
        let style = Style::new().add_modifier(Modifier::BOLD);
        match way {
            Way::Out if self.colour => style.fg(Color::Yellow),
            _ => style,
        }
    }

    fn bad(self) -> Style {
        let style = Style::new().add_modifier(Modifier::BOLD | Modifier::REVERSED);
        if self.colour { style.fg(Color::Red) } else { style }
    }
}

/// Where a power flows, in words with an arrow. A plant has no grid and no house beside it: it delivers or draws.
pub(in crate::cli) fn direction(role: MeterRole, way: Way) -> &'static str {
    match (role, way) {
        (_, Way::Still) => "no flow",
        (MeterRole::Generation, Way::Out) => "→ delivers",
        (MeterRole::Generation | MeterRole::Load, Way::In) => "← draws",
        (MeterRole::Load, Way::Out) => "→ feeds back",
        (_, Way::In) => "→ towards house",
        (_, Way::Out) => "← towards grid",
    }
}

fn title(board: &Board, panel: &Panel, now: Stamp, width: u16) -> Line<'static> {
    let local = board.zone.local(now);
    let role = panel.role.word();
    let left = format!(
        "{} · {}{}",
        board.site,
        panel.name,
        if panel.name == role { String::new() } else { format!(" ({role})") }
    );
    let right = format!("{} {}", local.time, local.offset);
    spread(left, &right, width, Style::new().add_modifier(Modifier::BOLD))
}

/// Two texts at the two ends of a row; the left one gives way.
fn spread(left: String, right: &str, width: u16, style: Style) -> Line<'static> {
    let width = usize::from(width);
    let room = width.saturating_sub(right.chars().count() + 1);
    let left = if left.chars().count() > room { left.chars().take(room).collect() } else { left };
    Line::styled(format!("{left:room$} {right}"), style)
}

/// The total, large where there is room.
fn power(panel: &Panel, board: &Board, now: Stamp, area: Rect, ink: Ink) -> Vec<Line<'static>> {
    let (number, unit, words, style) = match panel.total_w(now) {
        Some(power) => {
            let way = panel.way(power);
            let size = power.abs();
            let (number, unit) = if size < 9999.5 {
                (format!("{size:.0}"), "W")
            } else {
                (format!("{:.2}", size / 1000.0), "kW")
            };
            (number, unit, direction(panel.role, way).to_owned(), ink.way(way))
        }
        None => ("---".to_owned(), "W", silence(panel, board, now), ink.bad()),
    };
    if area.height < TALL || area.width < WIDE {
        return vec![Line::from(vec![Piece::raw(format!("{number} {unit}  ")), Piece::styled(words, style)])];
    }
    let mut rows: Vec<Line<'static>> = vec![Line::default()];
    for (index, row) in digits::rows(&number).into_iter().enumerate() {
        let mut pieces = vec![Piece::raw(format!("  {row}"))];
        match index {
            2 => pieces.extend([Piece::raw("   "), Piece::styled(words.clone(), style)]),
            4 => pieces.push(Piece::raw(format!(" {unit}"))),
            _ => {}
        }
        rows.push(Line::from(pieces));
    }
    rows.push(Line::default());
    rows
}

/// Why there is no power.
fn silence(panel: &Panel, board: &Board, now: Stamp) -> String {
    match (board.lost.first(), panel.age(now)) {
        (Some(line), _) => format!("{line} is lost"),
        (None, None) => board.before.clone(),
        (None, Some(age)) if age.seconds() >= 1.5 => format!("nothing new for {:.0} s", age.seconds()),
        (None, Some(_)) => "no power read".to_owned(),
    }
}

/// A row for each phase.
fn phases(panel: &Panel, now: Stamp, ink: Ink) -> Vec<Line<'static>> {
    let columns: [(Quantity, &str, &str, usize); 4] = [
        (Quantity::Voltage, "voltage", "V", 1),
        (Quantity::Current, "current", "A", 2),
        (Quantity::PhaseAngle, "angle", "°", 0),
        (Quantity::PowerFactor, "power factor", "", 2),
    ];
    let mut head = format!("{:<5}{:>10}  {:<17}", "", "power", "direction");
    let shown = |(quantity, ..): &(Quantity, &str, &str, usize)| {
        let has = |quantity| panel.phases.iter().any(|phase| panel.has(quantity, *phase));
        has(*quantity) || (*quantity == Quantity::PhaseAngle && has(Quantity::ReactivePower))
    };
    let columns: Vec<_> = columns.into_iter().filter(shown).collect();
    for (_, name, ..) in &columns {
        let _ = write!(head, "{name:>12}");
    }
    let mut rows = vec![Line::styled(head, Style::new().add_modifier(Modifier::UNDERLINED))];
    let all = panel.phases.iter().copied().chain([Phase::Total]);
    let has_power = |phase: &Phase| panel.has(Quantity::ActivePower, *phase);
    for phase in all
        .filter(|phase| has_power(phase) || columns.iter().any(|(quantity, ..)| panel.has(*quantity, *phase)))
    {
        let (power, words, style) = match panel.value(now, Quantity::ActivePower, phase) {
            Some(power) => {
                let way = panel.way(power);
                (format!("{:.0} W", power.abs()), direction(panel.role, way), ink.way(way))
            }
            None => ("-".to_owned(), "", Style::new()),
        };
        let mut rest = String::new();
        for (quantity, _, unit, decimals) in &columns {
            let value = match quantity {
                Quantity::PhaseAngle if phase != Phase::Total => panel.angle_deg(now, phase),
                quantity => panel.value(now, *quantity, phase),
            };
            let cell = match value {
                Some(value) if unit.is_empty() || *unit == "°" => format!("{value:.decimals$}{unit}"),
                Some(value) => format!("{value:.decimals$} {unit}"),
                None => "-".to_owned(),
            };
            let _ = write!(rest, "{cell:>12}");
        }
        rows.push(Line::from(vec![
            Piece::raw(format!("{:<5}{power:>10}  ", phase.word())),
            Piece::styled(format!("{words:<17}"), style),
            Piece::raw(rest),
        ]));
    }
    if rows.len() == 1 { Vec::new() } else { rows }
}

/// The meters that are not shown large, a line each.
fn others(board: &Board, now: Stamp) -> Vec<Line<'static>> {
    let other = board.meters.iter().enumerate().filter(|(index, _)| *index != board.chosen);
    let line = |(_, panel): (usize, &Panel)| {
        let power = panel.total_w(now).map_or_else(
            || "no value".to_owned(),
            |power| format!("{:.0} W  {}", power.abs(), direction(panel.role, panel.way(power))),
        );
        Line::from(format!("{} ({})  {power}", panel.name, panel.role.word()))
    };
    other.map(line).collect()
}

/// How each rule stands at this moment.
fn rules(panel: &Panel, now: Stamp, ink: Ink) -> Vec<Line<'static>> {
    let of = panel.rules.len();
    let line = |(index, ruled): (usize, &super::board::Ruled)| {
        let name = rule_name(&ruled.rule, index + 1, of);
        match panel.below_w(ruled, now) {
            None => Line::from(format!("{name}:  not known yet")),
            Some(below) if below < 0.0 => Line::from(vec![
                Piece::raw(format!("{name}:  ")),
                Piece::styled(format!(" ABOVE the limit by {:.0} W ", -below), ink.bad()),
            ]),
            Some(below) => Line::from(format!("{name}:  {below:.0} W below the limit")),
        }
    };
    panel.rules.iter().enumerate().map(line).collect()
}

fn energy(panel: &Panel, now: Stamp) -> Vec<Line<'static>> {
    let of = |quantity| {
        let total = panel.value(now, quantity, Phase::Total);
        total.or_else(|| panel.phases.iter().map(|phase| panel.value(now, quantity, *phase)).sum())
    };
    let words = [("import", of(Quantity::EnergyImport)), ("export", of(Quantity::EnergyExport))];
    let known: Vec<String> = words
        .iter()
        .filter_map(|(name, energy)| energy.map(|energy| format!("{name} {:.1} kWh", energy / 1000.0)))
        .collect();
    if known.is_empty() { Vec::new() } else { vec![Line::from(format!("counters  {}", known.join("   ")))] }
}

/// Export of the last minutes; the same picture that `limit` shows.
fn plot(panel: &Panel, now: Stamp, width: u16, rows: usize) -> Vec<Line<'static>> {
    let points = panel.recent(now);
    let Some((first, _)) = points.first().copied().filter(|_| points.len() > 1) else { return Vec::new() };
    // The picture is of the total: a limit for each phase has no place in it.
    let of_total = panel.rules.iter().filter(|ruled| ruled.rule.per == Per::Total);
    let lowest = of_total.map(|ruled| ruled.level_w).reduce(f64::min);
    let up = if panel.role == MeterRole::Generation { "up: delivers" } else { "up: towards grid" };
    let plot = Plot {
        points: &points,
        span: (first, 0.0),
        limit_w: lowest,
        marks: &[],
        ends: (format!("{:.0} s ago", -first), format!("{up}   now")),
        rows,
    };
    plot.render(usize::from(width)).lines().map(|row| Line::from(row.to_owned())).collect()
}

/// The phone page's code. Dark on light whatever the terminal's own colours are; cameras want that.
fn code(board: &Board, address: &str, width: u16) -> Vec<Line<'static>> {
    let paper = Style::new().fg(Color::White).bg(Color::Black);
    let rows = board.code.iter().map(|row| Line::styled(row.clone(), paper));
    let words = wrapped("", &format!("{address}   Tab: readings   q: end"), usize::from(width));
    let words: Vec<_> = words.lines().map(|row| Line::from(row.to_owned())).collect();
    rows.chain(words).collect()
}

/// The last rows: the line's health, and what can be pressed.
fn feet(board: &Board, width: u16) -> Vec<Line<'static>> {
    let keys = if board.meters.len() > 1 { "Tab: next meter   q: end" } else { "q: end" };
    let recording = board
        .recording
        .as_ref()
        .map_or_else(|| "nothing is recorded".to_owned(), |path| format!("recording {path}"));
    let page = board.page.iter().map(|address| Line::from(format!("page  {address}")));
    let rest = [
        Line::from(board.health.clone()),
        spread(recording, keys, width, Style::new().add_modifier(Modifier::DIM)),
    ];
    page.chain(rest).collect()
}
