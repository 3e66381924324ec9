//! A window of the file, read field by field; nothing reads past its end.

use std::fmt;

use nom::Parser;
use nom::bytes::complete::{tag, take, take_till};
use nom::number::complete::{le_i16, le_i32, le_u16, le_u32};

/// A field that is not what the format says: where it stands, what it is, what it should be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Damage {
    /// The block, escaped where the name comes from the file.
    pub block: String,
    /// Byte offset in the file.
    pub byte: usize,
    /// The field, in the words of the format.
    pub field: &'static str,
    /// What stands there, escaped.
    pub found: String,
    /// What was expected, or what was used instead.
    pub expected: String,
    /// What the user can do about it, where there is anything.
    pub hint: Option<&'static str>,
}

impl Damage {
    /// A damage without a hint.
    pub fn new(
        block: impl Into<String>,
        byte: usize,
        field: &'static str,
        found: impl fmt::Display,
        expected: impl Into<String>,
    ) -> Damage {
        let (block, found) = (block.into(), found.to_string());
        Damage { block, byte, field, found, expected: expected.into(), hint: None }
    }

    /// The same with advice.
    pub fn hint(self, hint: &'static str) -> Damage {
        Damage { hint: Some(hint), ..self }
    }

    /// The sentence without block and byte.
    pub fn says(&self) -> String {
        format!("{} is {}, {}", self.field, self.found, self.expected)
    }
}

impl fmt::Display for Damage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} at byte {}: {}", self.block, self.byte, self.says())
    }
}

impl std::error::Error for Damage {}

/// A cursor over one block that knows where in the file it stands.
#[derive(Clone, Debug)]
pub struct Fields<'a> {
    block: &'static str,
    rest: &'a [u8],
    end: usize,
    last: usize,
}

impl<'a> Fields<'a> {
    /// A cursor over `window`, whose first byte stands at `offset` in the file.
    pub fn new(block: &'static str, window: &'a [u8], offset: usize) -> Fields<'a> {
        Fields { block, rest: window, end: offset + window.len(), last: offset }
    }

    /// Byte offset of the next field.
    pub fn at(&self) -> usize {
        self.end - self.rest.len()
    }

    /// Byte offset of the field read last.
    pub fn last_at(&self) -> usize {
        self.last
    }

    /// Bytes left in the window.
    pub fn left(&self) -> usize {
        self.rest.len()
    }

    /// Sets the last `bytes` of the window apart; the cursor then ends before them.
    pub fn split_end(&mut self, bytes: usize) -> Fields<'a> {
        let (here, tail) = self.rest.split_at(self.rest.len().saturating_sub(bytes));
        self.rest = here;
        self.end -= tail.len();
        Fields { block: self.block, rest: tail, end: self.end + tail.len(), last: self.end }
    }

    /// Goes to the end of the window.
    pub fn skip_rest(&mut self) {
        self.last = self.at();
        self.rest = &[];
    }

    /// The field read last is not what the format says.
    pub fn damage(
        &self,
        field: &'static str,
        found: impl fmt::Display,
        expected: impl Into<String>,
    ) -> Damage {
        Damage::new(self.block, self.last, field, found, expected)
    }

    /// Refuses a count that is negative, below `least`, or asks for more than the window holds.
    /// `item_bytes` is the least size of one item, greater than 0.
    pub fn count(
        &self,
        field: &'static str,
        claimed: i32,
        least: usize,
        item_bytes: usize,
    ) -> Result<usize, Damage> {
        let room = self.left() / item_bytes;
        match usize::try_from(claimed) {
            Ok(count) if count > room => {
                Err(self.damage(field, claimed, format!("the block has room for {room}")))
            }
            Ok(count) if count >= least => Ok(count),
            _ => Err(self.damage(field, claimed, format!("expected {least} or more"))),
        }
    }

    /// The next signed short.
    pub fn i16(&mut self, field: &'static str) -> Result<i16, Damage> {
        self.next(field, 2, le_i16::<&[u8], ()>)
    }

    /// The next unsigned short.
    pub fn u16(&mut self, field: &'static str) -> Result<u16, Damage> {
        self.next(field, 2, le_u16::<&[u8], ()>)
    }

    /// The next signed long.
    pub fn i32(&mut self, field: &'static str) -> Result<i32, Damage> {
        self.next(field, 4, le_i32::<&[u8], ()>)
    }

    /// The next unsigned long.
    pub fn u32(&mut self, field: &'static str) -> Result<u32, Damage> {
        self.next(field, 4, le_u32::<&[u8], ()>)
    }

    /// The next `count` bytes.
    pub fn bytes(&mut self, field: &'static str, count: usize) -> Result<&'a [u8], Damage> {
        self.next(field, count, take::<usize, &[u8], ()>(count))
    }

    /// The next string without its zero byte. Without a zero the whole rest is read, and the second
    /// value is `false`.
    pub fn string(&mut self) -> (&'a [u8], bool) {
        self.last = self.at();
        let mut terminated = (take_till::<_, &[u8], ()>(|byte| byte == 0), tag(&[0_u8][..]));
        match terminated.parse(self.rest) {
            Ok((rest, (text, _))) => {
                self.rest = rest;
                (text, true)
            }
            Err(_) => (std::mem::take(&mut self.rest), false),
        }
    }

    fn next<T>(
        &mut self,
        field: &'static str,
        bytes: usize,
        mut parser: impl Parser<&'a [u8], Output = T, Error = ()>,
    ) -> Result<T, Damage> {
        self.last = self.at();
        if let Ok((rest, value)) = parser.parse(self.rest) {
            self.rest = rest;
            return Ok(value);
        }
        let found = format!("cut short after {} bytes", self.left());
        Err(self.damage(field, found, format!("expected {bytes}")))
    }
}

/// Bytes from a file as text for a message: printable ASCII as it is, the rest escaped, long ones
/// shortened.
pub fn shown(bytes: &[u8]) -> String {
    const LONGEST: usize = 40;
    let cut = &bytes[..bytes.len().min(LONGEST)];
    let dots = if bytes.len() > LONGEST { "…" } else { "" };
    format!("\"{}{dots}\"", cut.escape_ascii())
}
