//! Approaches within an encounter, and the reactions to them, in order.

use crate::domain::terms::terms;
use crate::domain::units::Length;
use crate::domain::units::Mass;
use crate::domain::units::Span;

terms! {
    /// How near a person came, in order of escalation.
    Contact, "kinds of contact", {
        /// Walked by.
        Passed => "passed",
        /// Stood or stopped beside the snake.
        Beside => "beside",
        /// Stepped over it.
        Over => "over",
        /// Stepped on it.
        Underfoot => "underfoot",
        /// Took hold of it.
        Handled => "handled",
    }
}

terms! {
    /// The fixed core of reactions. An area may add terms of its own.
    CoreReaction, "reactions", {
        /// Did not move.
        Still => "still",
        /// Moved away.
        Withdrew => "withdrew",
        /// Hid its head.
        HeadHidden => "head hidden",
        /// Coiled.
        Coiled => "coiled",
        /// Rattled.
        TailVibrationWithRattle => "tail vibration with rattle",
        /// Vibrated a tail without rattle.
        TailVibrationWithoutRattle => "tail vibration without rattle",
        /// Hissed.
        Hissed => "hissed",
        /// Opened its mouth.
        Gaped => "gaped",
        /// Spread its neck or raised its forebody.
        NeckSpread => "neck spread or forebody raised",
        /// Spat.
        Spat => "spat",
        /// Released musk.
        Musked => "musked",
        /// Moved towards the person.
        MovedTowards => "moved towards",
        /// Struck without reaching.
        StruckShort => "struck short",
        /// Struck with closed mouth.
        StruckMouthClosed => "struck with mouth closed",
        /// Bit footwear or a device.
        BitFootwear => "bit footwear or device",
        /// Bit skin.
        BitSkin => "bit skin",
    }
}

impl CoreReaction {
    /// Whether the reaction is a strike of any kind.
    pub fn is_strike(self) -> bool {
        self >= Self::StruckShort
    }
}

/// One reaction, as recorded.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reaction {
    /// A core term, or one of the area's own.
    pub term: String,
    /// Time from the start of the approach to the reaction, where recorded.
    pub latency: Option<Span>,
}

/// One act of coming near.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Approach {
    /// The kind of contact.
    pub contact: Contact,
    /// The closest distance.
    pub closest_distance: Option<Length>,
    /// By whom, or by what device.
    pub agent: String,
    /// The load put on the snake.
    pub applied_load: Option<Mass>,
    /// How long it lasted.
    pub duration: Option<Span>,
    /// Whether it was made on purpose under a protocol, and under which.
    pub trial: Option<Trial>,
    /// End of the watch, from the start of the approach: it censors latencies.
    pub end_of_watch: Option<Span>,
    /// The reactions, in their order; empty when none was recorded.
    pub reactions: Vec<Reaction>,
}

/// What made an approach a trial.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Trial {
    /// The protocol.
    pub protocol: String,
    /// The permit it was made under.
    pub permit: String,
}
