//! What one store has that another lacks, and how it gets there. No transport of its own.

pub mod wire;
