//! UniFFI.
