//! A table as columns (Apache Parquet), for programs that ask over many runs.

use std::sync::Arc;

use parquet::basic::{Compression, ConvertedType, LogicalType, Repetition, Type as PhysicalType};
use parquet::data_type::{BoolType, ByteArray, ByteArrayType, DataType, DoubleType, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::{SerializedFileWriter, SerializedRowGroupWriter};
use parquet::schema::types::Type;
use wattproof_report::{Field, Kind, Table};

/// The bytes of a file of columns: every column may hold nothing, numbers are doubles, whole numbers 64 bits, words UTF-8.
///
/// # Errors
/// The library's, when it can't be encoded.
pub fn columns(table: &Table) -> Result<Vec<u8>, ParquetError> {
    let fields = table.columns.iter().map(|column| field(&column.name, column.kind));
    let fields: Vec<Arc<Type>> = fields.collect::<Result<_, _>>()?;
    let schema = Type::group_type_builder(&table.name).with_fields(fields).build()?;
    let properties = WriterProperties::builder().set_compression(Compression::SNAPPY).build();
    let mut bytes = Vec::new();
    let mut writer = SerializedFileWriter::new(&mut bytes, Arc::new(schema), Arc::new(properties))?;
    let mut group = writer.next_row_group()?;
    for (at, column) in table.columns.iter().enumerate() {
        let fields = || table.rows.iter().map(move |row| row.get(at).unwrap_or(&Field::Empty));
        match column.kind {
            Kind::Number => put::<DoubleType>(&mut group, fields().map(number))?,
            Kind::Whole => put::<Int64Type>(&mut group, fields().map(whole))?,
            Kind::Flag => put::<BoolType>(&mut group, fields().map(flag))?,
            Kind::Words => put::<ByteArrayType>(&mut group, fields().map(words))?,
        }
    }
    group.close()?;
    writer.close()?;
    Ok(bytes)
}

fn field(name: &str, kind: Kind) -> Result<Arc<Type>, ParquetError> {
    let physical = match kind {
        Kind::Number => PhysicalType::DOUBLE,
        Kind::Whole => PhysicalType::INT64,
        Kind::Flag => PhysicalType::BOOLEAN,
        Kind::Words => PhysicalType::BYTE_ARRAY,
    };
    let builder = Type::primitive_type_builder(name, physical).with_repetition(Repetition::OPTIONAL);
    let builder = match kind {
        Kind::Words => {
            builder.with_logical_type(Some(LogicalType::String)).with_converted_type(ConvertedType::UTF8)
        }
        _ => builder,
    };
    builder.build().map(Arc::new)
}

/// Writes a column: the values that are there, and at which rows.
fn put<T: DataType>(
    group: &mut SerializedRowGroupWriter<'_, &mut Vec<u8>>,
    fields: impl Iterator<Item = Option<T::T>>,
) -> Result<(), ParquetError> {
    let (mut values, mut there) = (Vec::new(), Vec::new());
    for field in fields {
        there.push(i16::from(field.is_some()));
        values.extend(field);
    }
    let Some(mut column) = group.next_column()? else { return Ok(()) };
    column.typed::<T>().write_batch(&values, Some(&there), None)?;
    column.close()
}

fn number(field: &Field) -> Option<f64> {
    match field {
        Field::Number(value) => Some(*value),
        Field::Whole(value) => Some(*value as f64),
        _ => None,
    }
}

fn whole(field: &Field) -> Option<i64> {
    match field {
        Field::Whole(value) => Some(*value),
        _ => None,
    }
}

fn flag(field: &Field) -> Option<bool> {
    match field {
        Field::Flag(value) => Some(*value),
        _ => None,
    }
}

fn words(field: &Field) -> Option<ByteArray> {
    match field {
        Field::Words(text) => Some(ByteArray::from(text.as_str())),
        _ => None,
    }
}
