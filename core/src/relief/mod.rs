//! What low light shows of the ground: where it comes from, a view of the relief, and where pads may be.
//!
//! All of it works on the ground as seen from straight above ([`Rectified`]), in linear light. Angles are degrees clockwise from +x.

mod blobs;
mod field;
mod foot;
mod pads;
mod rectify;
mod snap;
mod sun;
mod view;

pub use pads::{PadKind, Proposal, STANDING, Towards, propose};
pub use rectify::{Rectified, VIEW_PX_PER_MM, Window};
pub use snap::{Snapped, snap};
pub use sun::{Axis, axis, on_side, towards_sun};
pub use view::relief_view;
