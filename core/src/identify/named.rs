//! What a worker can name: feet, features, patterns, contents of droppings, remains of meals.

use serde::{Deserialize, Serialize};

macro_rules! named {
    ($(#[$doc:meta])* $name:ident: $($(#[$item_doc:meta])* $item:ident = $key:literal),+ $(; default $default:ident)?) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        pub enum $name { $($(#[$item_doc])* #[serde(rename = $key)] $item),+ }
        impl $name {
            /// All of them, in order.
            pub const ALL: &[Self] = &[$(Self::$item),+];

            /// Its name in the evidence.
            pub fn name(self) -> &'static str {
                match self { $(Self::$item => $key),+ }
            }
        }
        $(impl Default for $name { fn default() -> Self { Self::$default } })?
    };
}

named! {
    /// Which foot.
    Foot:
    /// Front foot.
    Fore = "fore",
    /// Rear foot.
    Hind = "hind",
    /// Not known.
    Unknown = "unknown";
    default Unknown
}
named! {
    /// A feature that was looked for, or not.
    Feature:
    /// Looked for and there.
    Seen = "seen",
    /// Looked for and not there.
    Absent = "absent",
    /// Not looked for.
    NotLooked = "not_looked";
    default NotLooked
}
named! {
    /// How the toes stand around the pad.
    Arrangement:
    /// In an arc.
    Arc = "arc",
    /// In a nearly straight row.
    Row = "row",
    /// Paired and symmetrical.
    Paired = "paired",
    /// Finger-like, joined to the palm.
    Fingers = "fingers",
    /// Two hooves.
    Cloven = "cloven",
    /// A bird's.
    Bird = "bird",
    /// Not looked at.
    NotLooked = "not_looked";
    default NotLooked
}
named! {
    /// How the prints of a trail follow each other.
    Pattern:
    /// Alternating, no overstep to speak of.
    Walk = "walk",
    /// Alternating, faster.
    Trot = "trot",
    /// Fore beside the opposite hind.
    PaceWalk = "pace_walk",
    /// Pairs.
    TwoByTwo = "two_by_two",
    /// Groups of three.
    GroupOfThree = "group_of_three",
    /// Groups of four.
    GroupOfFour = "group_of_four",
    /// Hind feet ahead of the fore feet, together.
    Hop = "hop"
}
named! {
    /// What a dropping holds.
    Content:
    /// Scales.
    FishScales = "fish_scales",
    /// Bones of fish.
    FishBones = "fish_bones",
    /// Frog, toad, newt.
    Amphibian = "amphibian",
    /// Crayfish.
    Crayfish = "crayfish",
    /// Crab.
    Crab = "crab",
    /// Insect.
    Insect = "insect",
    /// Feathers, bird bones.
    Bird = "bird",
    /// Hair or bones of a mammal.
    MammalHair = "mammal_hair",
    /// Shell of a mollusc.
    Mollusc = "mollusc",
    /// Plant.
    Plant = "plant",
    /// Looked, and nothing could be told.
    NothingIdentifiable = "nothing_identifiable"
}
named! {
    /// How a dropping smells.
    Smell:
    /// Sweet, of fish.
    SweetFishy = "sweet_fishy",
    /// Foul.
    Foul = "foul",
    /// Of nothing.
    None = "none",
    /// Nobody smelled.
    NotLooked = "not_looked";
    default NotLooked
}
named! {
    /// The plants around a dropping.
    Vegetation:
    /// Scorched.
    Browned = "browned",
    /// Greener than around.
    Greened = "greened",
    /// As around.
    Unchanged = "unchanged",
    /// Not looked at.
    NotLooked = "not_looked";
    default NotLooked
}
named! {
    /// The form of a dropping.
    Form:
    /// A roll with blunt ends.
    Roll = "roll",
    /// Twisted, drawn out at the ends.
    Twisted = "twisted",
    /// Round pellets.
    Pellets = "pellets",
    /// No form of its own: a heap, a smear, a tarry spot.
    Shapeless = "shapeless",
    /// Jelly.
    Jelly = "jelly",
    /// A bird's white splash.
    Splash = "splash",
    /// Not looked at.
    NotLooked = "not_looked";
    default NotLooked
}
named! {
    /// What is left of a meal.
    Remains:
    /// A fish, eaten in part.
    Fish = "fish",
    /// Shells and claws of crayfish or crab.
    Crustacean = "crustacean",
    /// A frog's or toad's skin, or spawn jelly.
    Amphibian = "amphibian",
    /// Opened mussels or snails.
    Mollusc = "mollusc",
    /// A bird with bitten quills.
    BittenBird = "bitten_bird",
    /// A bird with plucked quills.
    PluckedBird = "plucked_bird",
    /// A killed mammal.
    Mammal = "mammal",
    /// Emptied eggs.
    Eggs = "eggs",
    /// Cut stems of reed, rush or grass.
    CutStems = "cut_stems",
    /// Gnawed or felled wood.
    GnawedWood = "gnawed_wood",
    /// Gnawed nuts, cones or roots.
    GnawedFruit = "gnawed_fruit",
    /// Dug or rooted ground.
    DugGround = "dug_ground"
}
