//! UniFFI.

