//! Fields of tables that a spreadsheet opens.

/// A text as one field of a row of CSV, in double quotes only where RFC 4180 asks for them.
#[must_use]
pub fn csv_field(text: &str) -> String {
    if text.contains([',', '"', '\r', '\n']) { format!("\"{}\"", text.replace('"', "\"\"")) } else { text.to_owned() }
}

#[cfg(test)]
mod tests {
    use super::csv_field;
    use proptest::prelude::*;

    #[test]
    fn only_what_would_break_a_row_is_quoted() {
        for plain in ["", "snare top", " OH L ", "Bäng; 100 %", "it's"] {
            assert_eq!(csv_field(plain), plain);
        }
        for (text, field) in [
            ("left, 40", "\"left, 40\""),
            ("12\" tom", "\"12\"\" tom\""),
            ("two\nlines", "\"two\nlines\""),
            ("old\rline end", "\"old\rline end\""),
        ] {
            assert_eq!(csv_field(text), field);
        }
    }

    proptest! {
        /// The reader of the csv crate is the outside truth.
        #[test]
        fn a_reader_of_csv_gets_every_text_back(a in "[a,\"\r\n ;ä]{0,12}", b in any::<String>()) {
            let row = format!("{},x,{}\r\n", csv_field(&a), csv_field(&b));
            let mut reader = csv::ReaderBuilder::new().has_headers(false).from_reader(row.as_bytes());
            let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
            prop_assert_eq!(rows.len(), 1);
            prop_assert_eq!(rows[0].iter().collect::<Vec<_>>(), [a.as_str(), "x", b.as_str()]);
        }
    }
}
