//! The Arrow schema of a table, as Arrow's readers look for it in a Parquet file's metadata: field by field with unit and meaning.
//!
//! The value of the key `ARROW:schema` is an encapsulated message of the Arrow columnar format (a flatbuffer `Message` whose
//! header is a `Schema`), in base64. Parquet itself has no place for what a column means; Arrow's field metadata is that
//! place, and every Arrow-based reader shows it.
//!
//! # Source
//!
//! *Arrow Columnar Format*, "Encapsulated message format", with `Schema.fbs` and `Message.fbs`; slots are numbered in the order
//! in which those files declare them.

use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use flatbuffers::{FlatBufferBuilder, TableFinishedWIPOffset, WIPOffset};

use crate::columns::{Access, Column};

/// The key under which readers look.
pub const KEY: &str = "ARROW:schema";

type Table = WIPOffset<TableFinishedWIPOffset>;

/// Where the field of a flatbuffer table lies in its table of offsets.
const fn slot(number: u16) -> u16 {
    4 + 2 * number
}

/// The schema of a table with these columns, in base64.
pub fn encoded<R>(columns: &[Column<R>]) -> String {
    /// `MetadataVersion.V5`.
    const V5: i16 = 4;
    /// `MessageHeader.Schema`.
    const SCHEMA: u8 = 1;
    let mut buffer = FlatBufferBuilder::new();
    let fields: Vec<Table> = columns.iter().map(|column| field(&mut buffer, column)).collect();
    let fields = buffer.create_vector(&fields);
    let start = buffer.start_table();
    buffer.push_slot_always(slot(1), fields);
    let schema = buffer.end_table(start);
    let start = buffer.start_table();
    buffer.push_slot_always::<i64>(slot(3), 0);
    buffer.push_slot_always(slot(2), schema);
    buffer.push_slot_always(slot(0), V5);
    buffer.push_slot_always(slot(1), SCHEMA);
    let message = buffer.end_table(start);
    buffer.finish_minimal(message);
    BASE64_STANDARD.encode(encapsulated(buffer.finished_data()))
}

/// The message behind its mark and its length, filled up to eight bytes.
fn encapsulated(message: &[u8]) -> Vec<u8> {
    let length = message.len().next_multiple_of(8);
    let mut bytes = vec![0xFF; 4];
    bytes.extend(u32::try_from(length).unwrap_or(u32::MAX).to_le_bytes());
    bytes.extend(message);
    bytes.resize(8 + length, 0);
    bytes
}

fn field<R>(buffer: &mut FlatBufferBuilder<'_>, column: &Column<R>) -> Table {
    let name = buffer.create_string(&column.name);
    let (kind, kind_table) = kind(buffer, &column.access);
    let mut notes = vec![note(buffer, "meaning", &column.meaning)];
    notes.extend(column.unit.map(|unit| note(buffer, "unit", unit)));
    let notes = buffer.create_vector(&notes);
    let children = buffer.create_vector::<Table>(&[]);
    let start = buffer.start_table();
    buffer.push_slot_always(slot(0), name);
    buffer.push_slot_always(slot(3), kind_table);
    buffer.push_slot_always(slot(5), children);
    buffer.push_slot_always(slot(6), notes);
    buffer.push_slot_always(slot(1), column.is_optional());
    buffer.push_slot_always(slot(2), kind);
    buffer.end_table(start)
}

fn note(buffer: &mut FlatBufferBuilder<'_>, key: &str, value: &str) -> Table {
    let key = buffer.create_string(key);
    let value = buffer.create_string(value);
    let start = buffer.start_table();
    buffer.push_slot_always(slot(0), key);
    buffer.push_slot_always(slot(1), value);
    buffer.end_table(start)
}

/// The number of a type in the union `Type`, and its table.
fn kind<R>(buffer: &mut FlatBufferBuilder<'_>, access: &Access<R>) -> (u8, Table) {
    const INT: u8 = 2;
    const FLOATING_POINT: u8 = 3;
    const UTF8: u8 = 5;
    const BOOL: u8 = 6;
    const TIMESTAMP: u8 = 10;
    /// `Precision.DOUBLE`.
    const DOUBLE: i16 = 2;
    /// `TimeUnit.MICROSECOND`.
    const MICROSECOND: i16 = 2;
    let utc = matches!(access, Access::Moment(_)).then(|| buffer.create_string("UTC"));
    let start = buffer.start_table();
    let kind = match access {
        Access::Name(_) | Access::Text(_) => UTF8,
        Access::Truth(_) => BOOL,
        Access::Real(_) => {
            buffer.push_slot_always(slot(0), DOUBLE);
            FLOATING_POINT
        }
        Access::Count(_) | Access::Whole(_) => {
            buffer.push_slot_always::<i32>(slot(0), 64);
            buffer.push_slot_always(slot(1), true);
            INT
        }
        Access::Moment(_) => {
            if let Some(utc) = utc {
                buffer.push_slot_always(slot(1), utc);
            }
            buffer.push_slot_always(slot(0), MICROSECOND);
            TIMESTAMP
        }
    };
    (kind, buffer.end_table(start))
}
