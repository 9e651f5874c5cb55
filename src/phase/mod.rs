//! Polarity and arrival between the mics of a take.
