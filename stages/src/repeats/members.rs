//! Which occupations a row of points stands for.

use pipeline_base::problem::Problem;
use pipeline_base::table::schema::{Holds, Role};
use pipeline_base::table::{Table, by_role};

/// The column that lists the occupations of a combined row: `SESSION/OCCUPATION, SESSION/OCCUPATION`, in the order of
/// time.
pub(super) const COLUMN: &str = "combined_from";

/// The occupations behind the rows of a table of points, combined or not.
pub(crate) struct Members<'a> {
    lists: Vec<Option<&'a str>>,
    time: Vec<Option<i64>>,
    first: Vec<Option<i64>>,
    last: Vec<Option<i64>>,
}

impl<'a> Members<'a> {
    /// Reads what a table says of them.
    ///
    /// # Errors
    /// When the table has no time, or a column does not hold what its name says.
    pub(crate) fn read(table: &'a Table) -> Result<Self, Problem> {
        let time = table.instants(&by_role(&table.schema, Role::Time)?.name)?;
        let instants = |name: &str| match table.schema.named(name).filter(|c| c.holds == Holds::Instant) {
            Some(_) => table.instants(name),
            None => Ok(time.clone()),
        };
        let lists = match table.schema.named(COLUMN).filter(|c| c.holds == Holds::Text) {
            Some(_) => table.texts(COLUMN)?,
            None => vec![None; table.rows()],
        };
        Ok(Self { first: instants("time_first")?, last: instants("time_last")?, lists, time })
    }

    /// Whether a combined row has an occupation in a session; false for rows that are not combined.
    #[must_use]
    pub(crate) fn occupied_in(&self, row: usize, session: &str) -> bool {
        self.lists[row].is_some_and(|list| begins(list, session) || list.contains(&format!(", {session}/")))
    }

    /// When a row was measured in a session, ns: a combined row was there first in the session that its list begins with,
    /// and last in another.
    #[must_use]
    pub(crate) fn time_in(&self, row: usize, session: &str) -> Option<i64> {
        match self.lists[row] {
            None => self.time[row],
            Some(list) if begins(list, session) => self.first[row],
            Some(_) => self.last[row],
        }
    }
}

fn begins(list: &str, session: &str) -> bool {
    list.strip_prefix(session).is_some_and(|rest| rest.starts_with('/'))
}
