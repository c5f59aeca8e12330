//! What must hold.
