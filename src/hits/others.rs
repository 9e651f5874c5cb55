//! How much of the kit the mics of other drums hear: what bleed in a drum's own mic they can explain, and how far.

use crate::song::Drum;

/// Kinds of other mics that leave little bleed unexplained.
const MANY_KINDS: usize = 4;

/// How much of the kit the mics of other drums hear.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Others {
    /// There are none.
    #[default]
    None,
    /// Mics of one other drum.
    OneDrum,
    /// Mics of two other kinds at least, overheads and room among them.
    Kit,
    /// Mics of four other kinds at least, toms among them: hardly anything sounds that none of them is near.
    WholeKit,
}

impl Others {
    /// How many there are.
    pub const COUNT: usize = 4;

    /// By the drums, cymbals and places that other mics stand at, in any order.
    #[must_use]
    pub fn of(mics: impl Iterator<Item = Drum>) -> Self {
        let mut kinds: Vec<Drum> = mics.collect();
        kinds.sort_unstable();
        kinds.dedup();
        match kinds.len() {
            0 => Others::None,
            1 => Others::OneDrum,
            MANY_KINDS.. if kinds.contains(&Drum::Tom) => Others::WholeKit,
            _ => Others::Kit,
        }
    }

    /// Whether overheads, a room or a second drum tell of what no single mic stands beside.
    #[must_use]
    pub fn hear_the_kit(self) -> bool {
        matches!(self, Others::Kit | Others::WholeKit)
    }
}

#[cfg(test)]
mod tests {
    use super::Others::{Kit, OneDrum, WholeKit};
    use super::*;

    #[test]
    fn overheads_alone_hear_a_kit_and_only_many_kinds_of_mics_with_the_toms_all_of_it() {
        use Drum::{Hat, Kick, Overhead, Room, Tom};
        let of = |mics: &[Drum]| Others::of(mics.iter().copied());
        assert_eq!((of(&[]), of(&[Kick]), of(&[Kick, Kick])), (Others::None, OneDrum, OneDrum));
        assert_eq!((of(&[Overhead, Kick, Overhead]), of(&[Tom, Hat, Tom])), (Kit, Kit));
        assert_eq!((of(&[Kick, Hat, Overhead, Room]), of(&[Kick, Hat, Tom, Overhead])), (Kit, WholeKit));
        assert_eq!([Others::None, OneDrum, Kit, WholeKit].map(Others::hear_the_kit), [false, false, true, true]);
    }
}
