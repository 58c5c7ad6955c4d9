//! Readings as a Parquet file: typed columns, their units in the file's metadata, zstd. A file without its footer can't be
//! read, so this is an export format, never the log.
//!
//! Written with the low-level column writer: the values are plain numbers already, and the columnar layer above it would
//! triple the build.

use std::io::Write;
use std::sync::Arc;

use parquet::basic::{Compression, LogicalType, Repetition, TimeUnit, Type as Physical, ZstdLevel};
use parquet::data_type::{ByteArray, ByteArrayType, DoubleType, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::{SerializedFileWriter, SerializedRowGroupWriter};
use parquet::schema::types::Type;

use crate::base::Failure;
use crate::report::columns::{Column, TableRow};

/// So many rows make a row group: small enough to hold, large enough to compress.
const ROW_GROUP: usize = 120_000;

/// The word columns before the values: which meter, and in a single file which site.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Labels {
    /// The meter's name in the site file.
    pub meter: String,
    /// The site's name; left out in a data set that is partitioned by it.
    pub site: Option<String>,
}

/// A Parquet file being written.
pub struct ParquetFile<W: Write + Send> {
    writer: SerializedFileWriter<W>,
    columns: usize,
    with_site: bool,
    waiting: Vec<(Arc<Labels>, TableRow)>,
}

impl<W: Write + Send> ParquetFile<W> {
    /// Begins the file. `metadata` goes into the footer beside the units.
    ///
    /// # Errors
    /// The disk's.
    pub fn begin(
        to: W,
        columns: &[Column],
        with_site: bool,
        metadata: &[(&str, String)],
    ) -> Result<Self, Failure> {
        let schema = Arc::new(schema(columns, with_site).map_err(trouble)?);
        let units: serde_json::Map<String, serde_json::Value> =
            columns.iter().map(|column| (column.name.clone(), column.unit.clone().into())).collect();
        let mut pairs =
            vec![KeyValue::new("wattward.units".to_owned(), serde_json::Value::from(units).to_string())];
        pairs.extend(metadata.iter().map(|(key, value)| KeyValue::new((*key).to_owned(), value.clone())));
        let properties = WriterProperties::builder()
            .set_compression(Compression::ZSTD(ZstdLevel::default()))
            .set_created_by(format!("wattward {}", env!("CARGO_PKG_VERSION")))
            .set_key_value_metadata(Some(pairs))
            .build();
        let writer = SerializedFileWriter::new(to, schema, Arc::new(properties)).map_err(trouble)?;
        Ok(Self { writer, columns: columns.len(), with_site, waiting: Vec::new() })
    }

    /// Adds rows of one meter.
    ///
    /// # Errors
    /// The disk's.
    pub fn add(&mut self, labels: &Labels, rows: Vec<TableRow>) -> Result<(), Failure> {
        let labels = Arc::new(labels.clone());
        for row in rows {
            self.waiting.push((Arc::clone(&labels), row));
            if self.waiting.len() >= ROW_GROUP {
                self.flush().map_err(trouble)?;
            }
        }
        Ok(())
    }

    /// Writes the footer.
    ///
    /// # Errors
    /// The disk's.
    pub fn finish(mut self) -> Result<W, Failure> {
        self.flush().map_err(trouble)?;
        self.writer.into_inner().map_err(trouble)
    }

    fn flush(&mut self) -> Result<(), ParquetError> {
        let rows = std::mem::take(&mut self.waiting);
        if rows.is_empty() {
            return Ok(());
        }
        let mut group = self.writer.next_row_group()?;
        let times: Vec<i64> = rows.iter().map(|(_, row)| row.at.nanos().div_euclid(1000)).collect();
        column::<Int64Type>(&mut group, &times, None)?;
        if self.with_site {
            words(&mut group, rows.iter().map(|(labels, _)| labels.site.as_deref().unwrap_or("")))?;
        }
        words(&mut group, rows.iter().map(|(labels, _)| labels.meter.as_str()))?;
        for index in 0..self.columns {
            let cells = || rows.iter().map(|(_, row)| row.values.get(index).copied().flatten());
            let levels: Vec<i16> = cells().map(|cell| i16::from(cell.is_some())).collect();
            let values: Vec<f64> = cells().flatten().collect();
            column::<DoubleType>(&mut group, &values, Some(&levels))?;
        }
        group.close()?;
        Ok(())
    }
}

fn words<'a, W: Write + Send>(
    group: &mut SerializedRowGroupWriter<'_, W>,
    words: impl Iterator<Item = &'a str>,
) -> Result<(), ParquetError> {
    let words: Vec<ByteArray> = words.map(ByteArray::from).collect();
    column::<ByteArrayType>(group, &words, None)
}

fn column<T: parquet::data_type::DataType>(
    group: &mut SerializedRowGroupWriter<'_, impl Write + Send>,
    values: &[T::T],
    levels: Option<&[i16]>,
) -> Result<(), ParquetError> {
    let Some(mut column) = group.next_column()? else {
        return Err(ParquetError::General("more columns than the schema has".to_owned()));
    };
    column.typed::<T>().write_batch(values, levels, None)?;
    column.close()
}

fn schema(columns: &[Column], with_site: bool) -> Result<Type, ParquetError> {
    let required = |name: &str, physical, logical| {
        let field = Type::primitive_type_builder(name, physical)
            .with_repetition(Repetition::REQUIRED)
            .with_logical_type(Some(logical));
        field.build().map(Arc::new)
    };
    // Microseconds: some engines know no nanoseconds.
    let instant = LogicalType::timestamp(true, TimeUnit::MICROS);
    let mut fields = vec![required("time", Physical::INT64, instant)?];
    if with_site {
        fields.push(required("site", Physical::BYTE_ARRAY, LogicalType::String)?);
    }
    fields.push(required("meter", Physical::BYTE_ARRAY, LogicalType::String)?);
    for column in columns {
        let field = Type::primitive_type_builder(&column.name, Physical::DOUBLE)
            .with_repetition(Repetition::OPTIONAL);
        fields.push(Arc::new(field.build()?));
    }
    Type::group_type_builder("readings").with_fields(fields).build()
}

#[expect(clippy::needless_pass_by_value, reason = "it maps an error")]
fn trouble(error: ParquetError) -> Failure {
    Failure::nothing(format!("cannot write the Parquet file: {error}"))
}
