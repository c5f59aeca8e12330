//! Earlier records in: a table of signs, a walk and its points, stretches of bank. Nothing is written here: what would be is shown first, with what can't be
//! taken and why, line by line.

mod columns;
mod lines;
mod table;
mod walk;

pub use columns::{Column, Mapping};
pub use lines::{LinesError, stretches};
pub use table::{DateOrder, Given, Refused, TableError, Tabled, table};
pub use walk::{Walked, walk};
