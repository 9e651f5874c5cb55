//! Pictures and the one-file report; renders what other rooms computed, computes nothing itself.
