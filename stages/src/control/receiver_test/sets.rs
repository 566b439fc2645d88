//! Rows to sets: which measurement belongs to which series and set.

use super::evaluate::Set;
use pipeline_base::problem::Problem;
use pipeline_base::table::schema::Role;
use pipeline_base::table::{Table, by_role};
use survey_geodesy::Ellipsoid;
use survey_geodesy::local::Tangent;

/// One measurement of one mark.
#[derive(Clone, Copy, Debug)]
pub(super) struct Shot {
    /// Row of the table.
    pub row: usize,
    /// 0 or 1.
    pub mark: usize,
    /// ns since 1970 UTC.
    pub time: i64,
    /// East, north, up in one local frame, m.
    pub enu: [f64; 3],
}

/// The measurements of the two marks, in order of time, in the local frame of the first one.
///
/// # Errors
/// When a column is gone.
pub(super) fn shots(table: &Table, marks: &[String; 2], ellipsoid: Ellipsoid) -> Result<Vec<Shot>, Problem> {
    let name = |role| by_role(&table.schema, role).map(|c| c.name.as_str());
    let points = table.texts(name(Role::Point)?)?;
    let times = table.instants(name(Role::Time)?)?;
    let (latitude, longitude) = (table.floats(name(Role::Latitude)?)?, table.floats(name(Role::Longitude)?)?);
    let height = table.floats(name(Role::EllipsoidalHeight)?)?;
    let mut frame = None;
    let mut all = vec![];
    for row in 0..table.rows() {
        let Some(mark) = marks.iter().position(|m| points[row] == Some(m.as_str())) else { continue };
        let Some(time) = times[row] else { continue };
        let at = [latitude[row], longitude[row], height[row]];
        if at.iter().any(|v| !v.is_finite()) {
            continue;
        }
        let frame = frame.get_or_insert_with(|| Tangent::new(at[0], at[1], at[2], ellipsoid));
        all.push(Shot { row, mark, time, enu: frame.enu(at[0], at[1], at[2]) });
    }
    all.sort_by_key(|s| (s.time, s.row));
    Ok(all)
}

/// Measurements of one mark without one of the other beside them.
#[derive(Clone, Debug, Default)]
pub(super) struct Grouped {
    /// Whole sets, in order.
    pub sets: Vec<(Set, [Shot; 2])>,
    /// Shots that found no partner.
    pub alone: Vec<Shot>,
}

/// Divides shots into series where time stands still for longer than `gap_ns`, and pairs each shot with the next one
/// when that is of the other mark.
#[must_use]
pub(super) fn group(shots: &[Shot], gap_ns: i64) -> Grouped {
    let mut out = Grouped::default();
    for (series, own) in shots.chunk_by(|a, b| b.time - a.time <= gap_ns).enumerate() {
        let mut rest = own;
        let mut number = 0;
        while let [first, tail @ ..] = rest {
            match tail {
                [second, after @ ..] if second.mark != first.mark => {
                    number += 1;
                    let pair = if first.mark == 0 { [*first, *second] } else { [*second, *first] };
                    let set = Set { series: series + 1, number, marks: [pair[0].enu, pair[1].enu] };
                    out.sets.push((set, pair));
                    rest = after;
                }
                _ => {
                    out.alone.push(*first);
                    rest = tail;
                }
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shot(mark: usize, minute: i64) -> Shot {
        Shot { row: 0, mark, time: minute * 60_000_000_000, enu: [0.0; 3] }
    }

    #[test]
    fn a_pause_begins_a_series_and_either_mark_may_come_first() {
        let shots = [shot(0, 0), shot(1, 2), shot(1, 5), shot(0, 7), shot(0, 10), shot(0, 100), shot(1, 102)];
        let grouped = group(&shots, 45 * 60_000_000_000);
        let numbers: Vec<_> = grouped.sets.iter().map(|(s, _)| (s.series, s.number)).collect();
        assert_eq!(numbers, [(1, 1), (1, 2), (2, 1)]);
        assert!(grouped.sets.iter().all(|(_, pair)| pair[0].mark == 0 && pair[1].mark == 1));
        assert_eq!(grouped.alone.len(), 1);
        assert_eq!(grouped.alone[0].time, shots[4].time);
        assert!(group(&[], 1).sets.is_empty());
    }
}
