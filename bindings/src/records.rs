//! Small records and enums that several calls share.

use chrono::{DateTime, FixedOffset, TimeZone, Utc};
use rakelight_core::measured::Measured;

use crate::ShellError;

/// An instant and the local time's offset from UTC.
#[derive(Debug, Clone, Copy, PartialEq, Eq, uniffi::Record)]
pub struct Moment {
    /// Milliseconds since 1970-01-01T00:00:00Z.
    pub utc_ms: i64,
    /// Minutes east of UTC.
    pub offset_minutes: i32,
}

impl Moment {
    pub(crate) fn local(self) -> Result<DateTime<FixedOffset>, ShellError> {
        let wrong = || ShellError::input("a time lies outside what can be written down");
        let offset = self.offset_minutes.checked_mul(60).and_then(FixedOffset::east_opt).ok_or_else(wrong)?;
        offset.timestamp_millis_opt(self.utc_ms).single().ok_or_else(wrong)
    }

    pub(crate) fn utc(self) -> Result<DateTime<Utc>, ShellError> {
        Ok(self.local()?.to_utc())
    }
}

impl From<DateTime<FixedOffset>> for Moment {
    fn from(at: DateTime<FixedOffset>) -> Self {
        Self { utc_ms: at.timestamp_millis(), offset_minutes: at.offset().local_minus_utc() / 60 }
    }
}

/// Where the phone stood.
#[derive(Debug, Clone, Copy, PartialEq, uniffi::Record)]
pub struct Place {
    /// WGS84, degrees.
    pub lat: f64,
    /// WGS84, degrees.
    pub lon: f64,
    /// The radius that holds the true place with 68 %, m.
    #[uniffi(default = None)]
    pub radius_68_m: Option<f64>,
}

/// A pixel of the upright picture: x right, y down, the first pixel's centre is (0, 0).
#[derive(Debug, Clone, Copy, PartialEq, uniffi::Record)]
#[allow(missing_docs)]
pub struct Point {
    pub x: f64,
    pub y: f64,
}

impl From<[f64; 2]> for Point {
    fn from([x, y]: [f64; 2]) -> Self {
        Self { x, y }
    }
}

/// A measured length, mm.
#[derive(Debug, Clone, Copy, PartialEq, uniffi::Record)]
pub struct Length {
    /// The best estimate.
    pub mm: f64,
    /// Its standard uncertainty.
    pub u_mm: f64,
    /// What is shown after ±: half of the interval that holds the truth with 95 %.
    pub half_width_95_mm: f64,
}

impl From<Measured> for Length {
    fn from(measured: Measured) -> Self {
        Self { mm: measured.value, u_mm: measured.u, half_width_95_mm: measured.half_width_95() }
    }
}

#[allow(missing_docs)]
mod mirrored {
    //! The core's plain enums and records, as they are.

    pub type Foot = rakelight_core::print::Foot;
    pub type Side = rakelight_core::print::Side;
    pub type Feature = rakelight_core::identify::Feature;
    pub type Arrangement = rakelight_core::identify::Arrangement;
    pub type Standing = rakelight_core::identify::Standing;
    pub type Grade = rakelight_core::identify::Grade;
    pub type Pattern = rakelight_core::trail::PatternName;
    pub type Travel = rakelight_core::trail::Travel;
    pub type MeasureName = rakelight_core::trail::MeasureName;
    pub type TrailFit = rakelight_core::identify::Fit;
    pub type Consent = rakelight_core::survey::Consent;
    pub type SignKind = rakelight_core::survey::SignKind;
    pub type PadKind = rakelight_core::relief::PadKind;
    pub type Content = rakelight_core::identify::Content;
    pub type Form = rakelight_core::identify::Form;
    pub type Smell = rakelight_core::identify::Smell;
    pub type Vegetation = rakelight_core::identify::Vegetation;
    pub type Remains = rakelight_core::identify::Remains;
    pub type Setting = rakelight_core::identify::Setting;
    pub type Dropping = rakelight_core::identify::DroppingEvidence;

    #[uniffi::remote(Enum)]
    pub enum Foot {
        Fore,
        Hind,
        Unknown,
    }

    #[uniffi::remote(Enum)]
    pub enum Side {
        Left,
        Right,
        Unknown,
    }

    #[uniffi::remote(Enum)]
    pub enum Feature {
        Seen,
        Absent,
        NotLooked,
    }

    #[uniffi::remote(Enum)]
    pub enum Arrangement {
        Arc,
        Row,
        Paired,
        Fingers,
        Cloven,
        Bird,
        NotLooked,
    }

    #[uniffi::remote(Enum)]
    pub enum Standing {
        Fits,
        NotRuledOut,
        RuledOut,
    }

    #[uniffi::remote(Enum)]
    pub enum Grade {
        None,
        Possible,
        Likely,
        Recorded,
    }

    #[uniffi::remote(Enum)]
    pub enum Pattern {
        Walk,
        Trot,
        PaceWalk,
        TwoByTwo,
        GroupOfThree,
        GroupOfFour,
        Hop,
    }

    #[uniffi::remote(Enum)]
    pub enum Travel {
        Forwards,
        Backwards,
        Unknown,
    }

    #[uniffi::remote(Enum)]
    pub enum MeasureName {
        StrideMm,
        StepMm,
        GroupLengthMm,
        GapMm,
        StraddleMm,
        DiagonalDeg,
        PairMm,
    }

    #[uniffi::remote(Enum)]
    pub enum TrailFit {
        Within,
        WithinUncertainty,
        Beyond,
        OtherGait,
    }

    #[uniffi::remote(Enum)]
    pub enum Consent {
        None,
        SummaryOnly,
        ExactOnOwnLand,
    }

    #[uniffi::remote(Enum)]
    pub enum PadKind {
        ToePad,
        HeelPad,
        Pad,
    }

    #[uniffi::remote(Enum)]
    pub enum Content {
        FishScales,
        FishBones,
        Amphibian,
        Crayfish,
        Crab,
        Insect,
        Bird,
        MammalHair,
        Mollusc,
        Plant,
        NothingIdentifiable,
    }

    #[uniffi::remote(Enum)]
    pub enum Form {
        Roll,
        Twisted,
        Pellets,
        Shapeless,
        Jelly,
        Splash,
        NotLooked,
    }

    #[uniffi::remote(Enum)]
    pub enum Smell {
        SweetFishy,
        Foul,
        None,
        NotLooked,
    }

    #[uniffi::remote(Enum)]
    pub enum Vegetation {
        Browned,
        Greened,
        Unchanged,
        NotLooked,
    }

    #[uniffi::remote(Enum)]
    pub enum Remains {
        Fish,
        Crustacean,
        Amphibian,
        Mollusc,
        BittenBird,
        PluckedBird,
        Mammal,
        Eggs,
        CutStems,
        GnawedWood,
        GnawedFruit,
        DugGround,
    }

    #[uniffi::remote(Record)]
    pub struct Setting {
        #[uniffi(default = None)]
        pub near_water: Option<bool>,
        #[uniffi(default = None)]
        pub distance_to_water_m: Option<f64>,
        #[uniffi(default = None)]
        pub tidal: Option<bool>,
    }

    #[uniffi::remote(Record)]
    pub struct Dropping {
        #[uniffi(default = None)]
        pub contents: Option<Vec<Content>>,
        pub form: Form,
        #[uniffi(default = None)]
        pub width_mm: Option<f64>,
        #[uniffi(default = None)]
        pub u_width_mm: Option<f64>,
        #[uniffi(default = None)]
        pub length_mm: Option<f64>,
        #[uniffi(default = None)]
        pub u_length_mm: Option<f64>,
        pub smell: Smell,
        #[uniffi(default = None)]
        pub prominent_spot: Option<bool>,
        pub vegetation: Vegetation,
        #[uniffi(default = false)]
        pub checked: bool,
    }

    #[uniffi::remote(Enum)]
    pub enum SignKind {
        Print,
        Trail,
        Dropping,
        FeedingRemains,
        RestingPlace,
        Slide,
        Hair,
        Sighting,
        DeadAnimal,
    }
}

pub use mirrored::{
    Arrangement, Consent, Content, Dropping, Feature, Foot, Form, Grade, MeasureName, PadKind, Pattern, Remains,
    Setting, Side, SignKind, Smell, Standing, TrailFit, Travel, Vegetation,
};
