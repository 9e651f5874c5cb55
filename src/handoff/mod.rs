//! The verified delivery: checks, names, padding, folders, documents, zip.
