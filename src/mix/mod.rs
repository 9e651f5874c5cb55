//! The rough mix and its loudness.
