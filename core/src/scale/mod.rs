//! The known thing in the picture: from it the plane that turns pixels into millimetres, with covariance.

pub mod card;
