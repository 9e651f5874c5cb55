//! Sample layers: sets, choice, alignment with the real drum, printing.
