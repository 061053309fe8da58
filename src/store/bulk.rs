//! Many rows by one statement. A statement costs the driver about as much as dozens of rows cost SQLite.

use std::sync::Arc;

use sqlx::AssertSqlSafe;
use sqlx::Sqlite;
use sqlx::SqliteConnection;
use sqlx::query::Query;
use sqlx::sqlite::SqliteArguments;

use crate::store::error::Error;
use crate::store::error::broken_check;

/// A statement that takes its values.
pub(super) type Values = Query<'static, Sqlite, SqliteArguments>;

/// Values bound by one statement; SQLite allows 32,766.
const MAX_VALUES: usize = 8_000;

/// A row that broke a CHECK: its place in the slice, and the constraint's name.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Refused {
    pub(super) index: usize,
    pub(super) constraint: String,
}

/// Inserts the rows, all but those that break a CHECK, which it returns in order.
///
/// `bind` binds the values of one row in the order of `columns`. Table and columns are part of the program's text.
pub(super) async fn insert<T>(
    connection: &mut SqliteConnection,
    table: &'static str,
    columns: &[&'static str],
    rows: &[T],
    bind: impl Fn(Values, &T) -> Values,
) -> Result<Vec<Refused>, Error> {
    let rows_a_statement = (MAX_VALUES / columns.len().max(1)).max(1);
    let mut refused = Vec::new();
    // Halves of a statement that failed come back here, until the bad row is alone.
    let mut open: Vec<(usize, usize)> = (0..rows.len())
        .step_by(rows_a_statement)
        .map(|from| (from, (from + rows_a_statement).min(rows.len())))
        .collect();
    open.reverse();
    let mut sql: Arc<str> = "".into();
    let mut n_rows_of_sql = 0;
    while let Some((from, to)) = open.pop() {
        if n_rows_of_sql != to - from {
            n_rows_of_sql = to - from;
            sql = statement(table, columns, n_rows_of_sql).into();
        }
        let mut query = sqlx::query(AssertSqlSafe(Arc::clone(&sql)));
        for row in &rows[from..to] {
            query = bind(query, row);
        }
        match query.execute(&mut *connection).await {
            Ok(_) => {}
            Err(error) => match broken_check(&error) {
                Some(constraint) if to - from == 1 => refused.push(Refused { index: from, constraint }),
                Some(_) => {
                    let middle = from + (to - from) / 2;
                    open.push((middle, to));
                    open.push((from, middle));
                }
                None => return Err(error.into()),
            },
        }
    }
    Ok(refused)
}

/// `INSERT INTO table (a, b) VALUES (?, ?), (?, ?)` for so many rows.
fn statement(table: &str, columns: &[&str], n_rows: usize) -> String {
    let row = format!("({})", vec!["?"; columns.len()].join(", "));
    let mut sql = format!("INSERT INTO {table} ({}) VALUES ", columns.join(", "));
    sql.reserve(n_rows * (row.len() + 2));
    for index in 0..n_rows {
        sql.push_str(if index == 0 { "" } else { ", " });
        sql.push_str(&row);
    }
    sql
}

#[cfg(test)]
mod tests {
    use super::*;
    use sqlx::Connection;

    #[test]
    fn a_statement_has_a_place_for_every_value() {
        assert_eq!(statement("t", &["a", "b"], 2), "INSERT INTO t (a, b) VALUES (?, ?), (?, ?)");
    }

    #[tokio::test]
    async fn only_the_bad_rows_stay_out() {
        let mut connection = SqliteConnection::connect("sqlite::memory:").await.unwrap();
        sqlx::query("CREATE TABLE t (a INTEGER CONSTRAINT t_small CHECK (a < 10000), b TEXT) STRICT")
            .execute(&mut connection)
            .await
            .unwrap();
        let mut rows: Vec<i64> = (0..9_000).collect();
        rows[0] = 10_000;
        rows[4_567] = 20_000;
        rows[8_999] = 30_000;
        let refused =
            insert(&mut connection, "t", &["a", "b"], &rows, |query, row| query.bind(*row).bind("x")).await;
        let refused = refused.unwrap();
        assert_eq!(refused.iter().map(|row| row.index).collect::<Vec<_>>(), [0, 4_567, 8_999]);
        assert!(refused.iter().all(|row| row.constraint == "t_small"));
        let n: i64 = sqlx::query_scalar("SELECT COUNT(*) FROM t").fetch_one(&mut connection).await.unwrap();
        assert_eq!(n, 8_997);
    }
}
