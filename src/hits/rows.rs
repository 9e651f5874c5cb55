//! Room for the band powers of a stretch.
//!
//! In: rows, one after the other. Out: the same as one slice. Memory that is touched for the first time is handed out by the system
//! page by page; in pages of 4 KB that took one part in thirty of the whole command (`docs/performance.md`). So long lists ask for
//! pages of 2 MB, where the system has such.

use super::bands::BANDS;
use memmap2::MmapMut;

/// One row.
type Row = [f32; BANDS];
/// Size of a large page, bytes: 2 MiB on x86-64, and on AArch64 with pages of 4 KiB (Linux, `Documentation/admin-guide/mm/transhuge.rst`,
/// from memory). Where it is another nothing goes wrong.
const PAGE: usize = 2 << 20;
/// Bytes that are worth a large page of their own.
const WORTH: usize = PAGE / 2;

/// A list of rows with room for so many, which it keeps when it is cleared.
#[derive(Debug, Default)]
pub struct Rows {
    memory: Memory,
    /// How many rows there are.
    length: usize,
}

#[derive(Debug)]
enum Memory {
    /// For short lists, for those that come from elsewhere, and where the system gives nothing else.
    Plain(Vec<Row>),
    /// Memory of its own, and where in it the first row begins, bytes.
    Pages(MmapMut, usize),
}

impl Default for Memory {
    fn default() -> Self {
        Self::Plain(Vec::new())
    }
}

impl Memory {
    /// For so many rows.
    fn for_rows(rows: usize) -> Self {
        let bytes = rows * size_of::<Row>();
        let pages = if bytes < WORTH { None } else { Self::pages(bytes) };
        pages.unwrap_or_else(|| Self::Plain(vec![[0.0; BANDS]; rows]))
    }

    /// For so many bytes, the first at the beginning of a large page; the last of them have one of their own only if they are worth it.
    fn pages(bytes: usize) -> Option<Self> {
        let large = (bytes + PAGE - WORTH) / PAGE * PAGE;
        let map = MmapMut::map_anon(large.max(bytes) + PAGE).ok()?;
        let first = map.as_ptr().align_offset(PAGE).min(PAGE);
        // Where the system declines, small pages do.
        #[cfg(target_os = "linux")]
        let _ = map.advise_range(memmap2::Advice::HugePage, first, large);
        Some(Self::Pages(map, first))
    }

    #[inline(always)]
    fn all(&self) -> &[Row] {
        match self {
            Self::Plain(rows) => rows,
            Self::Pages(map, first) => {
                let bytes = &map[*first..];
                bytemuck::cast_slice(&bytes[..bytes.len() / size_of::<Row>() * size_of::<Row>()])
            }
        }
    }

    fn all_mut(&mut self) -> &mut [Row] {
        match self {
            Self::Plain(rows) => rows,
            Self::Pages(map, first) => {
                let bytes = &mut map[*first..];
                let whole = bytes.len() / size_of::<Row>() * size_of::<Row>();
                bytemuck::cast_slice_mut(&mut bytes[..whole])
            }
        }
    }
}

impl Rows {
    /// None yet, with room for so many.
    #[must_use]
    pub fn with_room(rows: usize) -> Self {
        Self { memory: Memory::for_rows(rows), length: 0 }
    }

    /// None again, with room for so many.
    #[must_use]
    pub fn cleared(self, rows: usize) -> Self {
        if self.memory.all().len() >= rows { Self { length: 0, ..self } } else { Self::with_room(rows) }
    }

    /// All.
    #[must_use]
    #[inline(always)]
    pub fn all(&self) -> &[Row] {
        &self.memory.all()[..self.length]
    }

    /// Leaves the first so many; where there are fewer, silent ones follow as far as there is room.
    pub fn resize(&mut self, rows: usize) {
        let all = self.memory.all_mut();
        let rows = rows.min(all.len());
        if let Some(new) = all.get_mut(self.length..rows) {
            new.fill([0.0; BANDS]);
        }
        self.length = rows;
    }
}

impl From<Vec<Row>> for Rows {
    fn from(rows: Vec<Row>) -> Self {
        Self { length: rows.len(), memory: Memory::Plain(rows) }
    }
}

/// Appends rows; for those that there is no room for some is made.
impl Extend<Row> for Rows {
    #[inline(always)]
    fn extend<I: IntoIterator<Item = Row>>(&mut self, rows: I) {
        let mut rows = rows.into_iter();
        let room = self.memory.all_mut().get_mut(self.length..).unwrap_or_default();
        for slot in room {
            let Some(row) = rows.next() else { return };
            *slot = row;
            self.length += 1;
        }
        if let Some(row) = rows.next() {
            let mut all = self.all().to_vec();
            all.push(row);
            all.extend(rows);
            *self = Self::from(all);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn numbered(range: std::ops::Range<usize>) -> impl Iterator<Item = Row> {
        range.map(|k| std::array::from_fn(|b| (k * BANDS + b) as f32))
    }

    #[test]
    fn rows_come_back_as_they_were_put_in_however_many_there_are() {
        // From a few to so many that they take two large pages and a piece.
        for count in [0, 1, 1_000, 30_000, 100_000] {
            let mut rows = Rows::with_room(count);
            for from in (0..count).step_by(16) {
                rows.extend(numbered(from..count.min(from + 16)));
            }
            assert!(rows.all().iter().copied().eq(numbered(0..count)), "{count}");
        }
    }

    #[test]
    fn more_rows_than_there_was_room_for_are_kept_too() {
        for room in [0, 10, 40_000] {
            let mut rows = Rows::with_room(room);
            let count = rows.memory.all().len() + 5;
            rows.extend(numbered(0..count));
            rows.extend(numbered(count..count + 3));
            assert!(rows.all().iter().copied().eq(numbered(0..count + 3)), "{room}");
        }
    }

    #[test]
    fn what_was_there_before_is_silent_when_it_is_used_again() {
        for count in [100, 50_000] {
            let mut rows = Rows::with_room(count);
            rows.extend(numbered(1..count + 1));
            let mut rows = rows.cleared(count - 1);
            assert!(rows.all().is_empty() && rows.memory.all().len() >= count);
            rows.resize(count);
            assert!(rows.all().len() == count && rows.all().iter().flatten().all(|x| *x == 0.0));
            rows.resize(7);
            assert_eq!(rows.all().len(), 7);
        }
    }

    #[test]
    fn long_lists_begin_with_a_page_of_their_own() {
        let address = |rows: usize| {
            let mut rows = Rows::with_room(rows);
            rows.extend(numbered(0..1));
            rows.all().as_ptr().align_offset(PAGE)
        };
        assert_eq!(address(WORTH / size_of::<Row>() + 1), 0);
        assert_eq!(address(10 * PAGE / size_of::<Row>()), 0);
    }
}
