//! Straight lines between readings, integrated exactly, and their sliding mean as quadratic pieces. No sample is counted:
//! a mean over a window is the area under the line divided by the window's length, whatever the spacing of readings.

/// A value over time, straight between its vertices. Times are in s since the evidence's origin and never fall; two equal
/// times make a jump.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Line {
    at: Vec<f64>,
    value: Vec<f64>,
    /// Area from the first vertex, as an unevaluated sum of two numbers, so that a day of kilowatts keeps its nanojoules.
    area: Vec<(f64, f64)>,
}

/// A quadratic piece of a sliding mean: `level + slope s + bend s²`, s from 0 at `start` to `end - start`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Piece {
    /// First instant, in s.
    pub start: f64,
    /// Last instant, in s.
    pub end: f64,
    /// Mean at `start`.
    pub level: f64,
    /// Its slope at `start`, per s.
    pub slope: f64,
    /// Half of its second derivative, per s².
    pub bend: f64,
}

/// A span in which a sliding mean lies below a level.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Dip {
    /// First instant, in s.
    pub start: f64,
    /// Last instant, in s.
    pub end: f64,
    /// The lowest mean in it.
    pub lowest: f64,
}

/// a + b with the rounding error beside it (Knuth's two-sum).
fn two_sum(a: f64, b: f64) -> (f64, f64) {
    let sum = a + b;
    let part = sum - a;
    (sum, (a - (sum - part)) + (b - part))
}

impl Line {
    /// From vertices in time order; one that would step back in time, or is no number, is left out.
    pub fn new(vertices: impl IntoIterator<Item = (f64, f64)>) -> Self {
        let mut line = Self::default();
        for (at, value) in vertices {
            line.push(at, value);
        }
        line
    }

    fn push(&mut self, at: f64, value: f64) {
        if !at.is_finite() || !value.is_finite() || self.at.last().is_some_and(|last| at < *last) {
            return;
        }
        let area = match (self.at.last(), self.value.last(), self.area.last()) {
            (Some(last), Some(before), Some((high, low))) => {
                let (sum, rest) = two_sum(*high, 0.5 * (before + value) * (at - last));
                two_sum(sum, low + rest)
            }
            _ => (0.0, 0.0),
        };
        self.at.push(at);
        self.value.push(value);
        self.area.push(area);
    }

    /// Times of the vertices, in s.
    pub fn times(&self) -> &[f64] {
        &self.at
    }

    /// First and last time, in s; nothing of fewer than two vertices.
    pub fn extent(&self) -> Option<(f64, f64)> {
        (self.at.len() >= 2).then(|| (self.at[0], self.at[self.at.len() - 1]))
    }

    /// The segment in which `t` lies, the later one at a vertex.
    fn segment(&self, t: f64) -> usize {
        self.at.partition_point(|at| *at <= t).saturating_sub(1).min(self.at.len().saturating_sub(2))
    }

    fn slope(&self, segment: usize) -> f64 {
        let width = self.at[segment + 1] - self.at[segment];
        if width > 0.0 { (self.value[segment + 1] - self.value[segment]) / width } else { 0.0 }
    }

    fn value_in(&self, segment: usize, t: f64) -> f64 {
        self.value[segment] + self.slope(segment) * (t - self.at[segment])
    }

    /// The value at `t`, held at the ends; nothing of an empty line.
    pub fn value(&self, t: f64) -> Option<f64> {
        match self.extent() {
            None => self.value.first().copied(),
            Some((first, last)) => {
                let t = t.clamp(first, last);
                Some(self.value_in(self.segment(t), t))
            }
        }
    }

    /// Area from `from` to `to`, both held within the line's extent, in the value's unit times s.
    pub fn integral(&self, from: f64, to: f64) -> f64 {
        let Some((first, last)) = self.extent() else { return 0.0 };
        let (from, to) = (from.clamp(first, last), to.clamp(first, last));
        self.area_between(self.segment(from), from, self.segment(to), to)
    }

    fn area_between(&self, left: usize, from: f64, right: usize, to: f64) -> f64 {
        let part = |segment: usize, t: f64| {
            0.5 * (self.value[segment] + self.value_in(segment, t)) * (t - self.at[segment])
        };
        let (high_left, low_left) = self.area[left];
        let (high_right, low_right) = self.area[right];
        (high_right - high_left) + ((low_right - low_left) + (part(right, to) - part(left, from)))
    }

    /// Mean over `from` to `to`; the value itself where they are the same instant.
    pub fn mean(&self, from: f64, to: f64) -> Option<f64> {
        if to > from && self.at.len() >= 2 {
            Some(self.integral(from, to) / (to - from))
        } else {
            self.value(to)
        }
    }

    /// Hands the sliding mean over `averaging` s (0: the line itself) on `from` to `to` to `each`, piece by piece in time
    /// order. Only windows wholly inside the line and not before `from` count, so the first mean is at `from + averaging`.
    pub fn sliding(&self, averaging: f64, from: f64, to: f64, mut each: impl FnMut(Piece)) {
        let Some((first, last)) = self.extent() else { return };
        let averaging = averaging.max(0.0);
        let mut t = from.max(first) + averaging;
        let end = to.min(last);
        if t > end || t.is_nan() || end.is_nan() {
            return;
        }
        let (mut lead, mut trail) = (self.segment(t), self.segment(t - averaging));
        let segments = self.at.len() - 1;
        while t < end {
            while lead + 1 < segments && self.at[lead + 1] <= t {
                lead += 1;
            }
            while trail + 1 < segments && self.at[trail + 1] + averaging <= t {
                trail += 1;
            }
            let mut next = self.at[lead + 1].min(end);
            let beyond = self.at[trail + 1] + averaging;
            if averaging > 0.0 && beyond > t {
                next = next.min(beyond);
            }
            if next <= t {
                break;
            }
            each(self.piece(averaging, t, next, lead, trail));
            t = next;
        }
    }

    fn piece(&self, averaging: f64, start: f64, end: f64, lead: usize, trail: usize) -> Piece {
        if averaging <= 0.0 {
            return Piece {
                start,
                end,
                level: self.value_in(lead, start),
                slope: self.slope(lead),
                bend: 0.0,
            };
        }
        let back = (start - averaging).max(self.at[trail]);
        Piece {
            start,
            end,
            level: self.area_between(trail, back, lead, start) / averaging,
            slope: (self.value_in(lead, start) - self.value_in(trail, back)) / averaging,
            bend: 0.5 * (self.slope(lead) - self.slope(trail)) / averaging,
        }
    }

    /// Spans in which the sliding mean lies below `level`, in time order, touching ones joined.
    pub fn dips(&self, averaging: f64, level: f64, from: f64, to: f64) -> Vec<Dip> {
        let mut dips: Vec<Dip> = Vec::new();
        // Equal is not below: the last digits of an area must not make an excursion.
        let level = level - 1e-9 * level.abs().max(1.0);
        self.sliding(averaging, from, to, |piece| {
            for (start, end) in piece.below(level).into_iter().flatten() {
                let lowest = piece.lowest(start, end);
                match dips.last_mut() {
                    Some(last) if start - last.end <= 1e-9 => {
                        last.end = end;
                        last.lowest = last.lowest.min(lowest);
                    }
                    _ => dips.push(Dip { start, end, lowest }),
                }
            }
        });
        dips
    }

    /// The lowest sliding mean on `from` to `to`.
    pub fn lowest(&self, averaging: f64, from: f64, to: f64) -> Option<f64> {
        let mut lowest: Option<f64> = None;
        self.sliding(averaging, from, to, |piece| {
            let here = piece.lowest(piece.start, piece.end);
            lowest = Some(lowest.map_or(here, |so_far| so_far.min(here)));
        });
        lowest
    }

    /// Area of the part below `level` (level minus value where that is positive) from `from` to `to`, split exactly at
    /// the crossings.
    pub fn area_below(&self, level: f64, from: f64, to: f64) -> f64 {
        let mut area = 0.0;
        self.sliding(0.0, from, to, |piece| {
            for (start, end) in piece.below(level).into_iter().flatten() {
                let middle = piece.mean_of(0.5 * (start + end));
                area += (level - middle) * (end - start);
            }
        });
        area
    }
}

impl Piece {
    fn mean_of(&self, t: f64) -> f64 {
        let s = t - self.start;
        self.level + s * (self.slope + s * self.bend)
    }

    /// The lowest value between two instants of the piece.
    fn lowest(&self, start: f64, end: f64) -> f64 {
        let mut lowest = self.mean_of(start).min(self.mean_of(end));
        if self.bend > 0.0 {
            let turn = self.start - 0.5 * self.slope / self.bend;
            if turn > start && turn < end {
                lowest = lowest.min(self.mean_of(turn));
            }
        }
        lowest
    }

    /// Where the piece lies below `level`: at most two spans.
    fn below(&self, level: f64) -> [Option<(f64, f64)>; 2] {
        let width = self.end - self.start;
        let mut cuts = [0.0, 0.0, 0.0, width];
        let mut count = 1;
        for root in roots(self.bend, self.slope, self.level - level).into_iter().flatten() {
            if root > 0.0 && root < width {
                cuts[count] = root;
                count += 1;
            }
        }
        if count == 3 && cuts[1] > cuts[2] {
            cuts.swap(1, 2);
        }
        cuts[count] = width;
        let mut spans = [None, None];
        let mut found = 0;
        for index in 0..count {
            let (left, right) = (cuts[index], cuts[index + 1]);
            let middle = self.start + 0.5 * (left + right);
            if right > left && self.mean_of(middle) < level && found < 2 {
                // The exact ends of the piece are kept, so that neighbours join.
                let end = if index + 1 == count { self.end } else { self.start + right };
                spans[found] = Some((self.start + left, end));
                found += 1;
            }
        }
        spans
    }
}

/// Real roots of a s² + b s + c, without cancellation.
fn roots(a: f64, b: f64, c: f64) -> [Option<f64>; 2] {
    if a == 0.0 {
        return [if b == 0.0 { None } else { Some(-c / b) }, None];
    }
    let under = b * b - 4.0 * a * c;
    if under < 0.0 {
        return [None, None];
    }
    let q = -0.5 * (b + under.sqrt().copysign(b));
    let other = if q == 0.0 { None } else { Some(c / q) };
    [Some(q / a).filter(|root| root.is_finite()), other.filter(|root| root.is_finite())]
}

#[cfg(test)]
mod tests;
