//! The invented song, synthesised: used by `underlay demo` and by tests that need known strokes.
