//! Which of a file's channels is heard.
//!
//! In: interleaved samples. Out: those of one side, or all of them.

use serde::{Deserialize, Serialize};

/// Which channel of a file a mono analysis listens to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Channel {
    /// The only channel, or the mean of all: (L + R) / 2.
    #[default]
    Sum,
    /// The first.
    Left,
    /// The second.
    Right,
}

impl Channel {
    /// Place among `channels` of the only one that is taken; `None` where all are. A mono file has no sides.
    #[must_use]
    pub fn side(self, channels: u16) -> Option<usize> {
        match self {
            _ if channels < 2 => None,
            Self::Sum => None,
            Self::Left => Some(0),
            Self::Right => Some(1),
        }
    }

    /// How many channels of a file of `channels` are taken.
    #[must_use]
    pub fn taken(self, channels: u16) -> u16 {
        if self.side(channels).is_some() { 1 } else { channels }
    }

    /// Leaves the samples of the side in frames of `channels` interleaved ones; all of them where no side is taken.
    pub fn keep<T: Copy>(self, samples: &mut Vec<T>, channels: u16) {
        let Some(side) = self.side(channels) else { return };
        let channels = usize::from(channels);
        let frames = samples.len() / channels;
        for i in 0..frames {
            samples[i] = samples[i * channels + side];
        }
        samples.truncate(frames);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kept(channel: Channel, channels: u16) -> Vec<i32> {
        let mut samples = vec![1, -1, 2, -2, 3, -3];
        channel.keep(&mut samples, channels);
        samples
    }

    #[test]
    fn a_side_is_every_frames_own_sample_of_it() {
        assert_eq!(kept(Channel::Left, 2), [1, 2, 3]);
        assert_eq!(kept(Channel::Right, 2), [-1, -2, -3]);
        assert_eq!(kept(Channel::Right, 3), [-1, 3]);
        assert_eq!(Channel::Right.taken(2), 1);
    }

    #[test]
    fn a_mono_file_and_a_sum_keep_everything() {
        for channel in [Channel::Sum, Channel::Left, Channel::Right] {
            assert_eq!(kept(channel, 1), [1, -1, 2, -2, 3, -3]);
        }
        assert_eq!(kept(Channel::Sum, 2), [1, -1, 2, -2, 3, -3]);
        assert_eq!(Channel::Sum.taken(2), 2);
    }
}
