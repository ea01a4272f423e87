//! HDF5: the one place that speaks to its library.
//!
//! Files are written by filling a template, which holds every dataset at length zero with its dimension scales: the
//! scales are what makes netCDF-4 readers see named dimensions, and the safe interface of the library cannot make
//! them. `tests/reference/make_templates.py` makes the templates.
//!
//! Reading trusts nothing: links are refused, sizes are compared with limits and with what the file stores before memory
//! is asked for, and text is checked to be UTF-8.

mod heap;
pub(crate) mod study;

use std::fs;
#[cfg(target_os = "linux")]
use std::os::fd::AsRawFd;
use std::path::Path;

use hdf5::plist::dataset_create::Layout;
use hdf5::types::{FixedAscii, FixedUnicode, TypeDescriptor, VarLenAscii, VarLenUnicode};
use hdf5::{Attribute, Container, Dataset, Group, H5Type, LinkType, Location, OpenMode};

use crate::fault::{Fault, Place, StudyError};

/// The most instants a study or a track may have.
pub const MOST_INSTANTS: usize = 50_000_000;
/// The longest text of fixed length that is read, bytes.
const LONGEST_FIXED: usize = 4096;
/// No chunk is larger than this, bytes: the library makes room for one at a time.
const LARGEST_CHUNK: usize = 256 << 20;
/// Deflate packs at most about 1032 to 1, so that more than this a stored byte is a false claim.
const MOST_PACKED: u64 = 1100;
/// What a file may claim beyond what it stores, bytes: fill values take no room.
const FREE_CLAIM: u64 = 64 << 20;

/// Opens a file whose path need not be UTF-8. The library takes no other, so that on Linux, where such paths occur, the
/// number of the open file takes the path's place.
fn open_any(file: &Path, mode: OpenMode) -> hdf5::Result<hdf5::File> {
    #[cfg(target_os = "linux")]
    if file.to_str().is_none()
        && let Ok(held) = fs::File::open(file)
    {
        return hdf5::File::open_as(format!("/proc/self/fd/{}", held.as_raw_fd()), mode);
    }
    hdf5::File::open_as(file, mode)
}

/// An HDF5 file open for reading.
#[derive(Debug)]
pub(crate) struct Source<'f> {
    file: &'f Path,
    root: hdf5::File,
}

impl<'f> Source<'f> {
    pub(crate) fn open(file: &'f Path) -> Result<Self, StudyError> {
        hdf5::silence_errors(true);
        let unreadable = |error| StudyError::io(file, "read", error);
        let mut bytes = fs::File::open(file).map_err(unreadable)?;
        if !heap::heaps_are_sound(&mut bytes).map_err(unreadable)? {
            let message = "a heap of text is broken".to_owned();
            return Err(StudyError::new(Place::file(file), Fault::NotHdf5 { message }));
        }
        let root = open_any(file, OpenMode::Read).map_err(|error| {
            let message = brief(&error);
            StudyError::new(Place::file(file), Fault::NotHdf5 { message })
        })?;
        Ok(Self { file, root })
    }

    pub(crate) fn at(&self, object: &str, fault: Fault) -> StudyError {
        let place = Place::Object {
            file: self.file.to_owned(),
            object: object.to_owned(),
        };
        StudyError::new(place, fault)
    }

    pub(crate) fn at_attribute(&self, object: &str, attribute: &str, fault: Fault) -> StudyError {
        StudyError::new(self.attribute_place(object, attribute), fault)
    }

    pub(crate) fn at_element(&self, object: &str, index: Vec<usize>, fault: Fault) -> StudyError {
        StudyError::new(self.element_place(object, index), fault)
    }

    fn attribute_place(&self, object: &str, attribute: &str) -> Place {
        Place::Attribute {
            file: self.file.to_owned(),
            object: object.to_owned(),
            attribute: attribute.to_owned(),
        }
    }

    fn element_place(&self, object: &str, index: Vec<usize>) -> Place {
        Place::Element {
            file: self.file.to_owned(),
            object: object.to_owned(),
            index,
        }
    }

    /// Whether there is a group or dataset of this path. A link on the way is refused: a study is read from the file that was
    /// named and from no other.
    pub(crate) fn has(&self, object: &str) -> Result<bool, StudyError> {
        let mut holder = self.root.as_group();
        let mut path = String::new();
        for part in object.split('/').filter(|part| !part.is_empty()) {
            path.push('/');
            path.push_str(part);
            let Ok(within) = holder else { return Ok(false) };
            let found = within.iter_visit_default(None, |_, name, info, found| {
                if name == part {
                    *found = Some(info.link_type);
                }
                found.is_none()
            });
            match found.map_err(|error| self.at(&path, failed("read", &error)))? {
                None => return Ok(false),
                Some(LinkType::Hard) => holder = self.root.group(&path),
                Some(LinkType::Soft | LinkType::External) => {
                    let fault = wrong(&path, "a link".to_owned(), "the object itself, in this file");
                    return Err(self.at(&path, fault));
                }
            }
        }
        Ok(true)
    }

    /// A group, `None` where there is none.
    fn group(&self, path: &str) -> Result<Option<Group>, StudyError> {
        if path != "/" && !self.has(path)? {
            return Ok(None);
        }
        self.root.group(path).map(Some).map_err(|error| {
            let fault = match self.root.dataset(path) {
                Ok(_) => wrong(path, "a dataset".to_owned(), "a group"),
                Err(_) => failed("read", &error),
            };
            self.at(path, fault)
        })
    }

    /// A dataset that must be there.
    pub(crate) fn dataset(&self, path: &str, expected: &'static str) -> Result<Dataset, StudyError> {
        if !self.has(path)? {
            let kind = "dataset";
            return Err(self.at(path, Fault::MissingObject { kind, expected }));
        }
        let dataset = self.root.dataset(path).map_err(|error| {
            let fault = match self.root.group(path) {
                Ok(_) => wrong(path, "a group".to_owned(), "a dataset"),
                Err(_) => failed("read", &error),
            };
            self.at(path, fault)
        })?;
        self.check_stored_here(&dataset, path)?;
        Ok(dataset)
    }

    /// Refuses a dataset whose numbers stand in another file.
    fn check_stored_here(&self, dataset: &Dataset, path: &str) -> Result<(), StudyError> {
        let made = dataset.dcpl();
        let made = made.map_err(|error| self.at(path, failed("read", &error)))?;
        let is_elsewhere = made.layout() == Layout::Virtual || !made.external().is_empty();
        if is_elsewhere {
            let found = "stored in another file".to_owned();
            return Err(self.at(path, wrong(path, found, "values in this file")));
        }
        Ok(())
    }

    /// A number from an attribute of a group; `None` where group or attribute is absent.
    pub(crate) fn number(&self, group: &str, name: &str) -> Result<Option<f64>, StudyError> {
        let Some(attribute) = self.attribute(group, name)? else {
            return Ok(None);
        };
        let wrong =
            |found: String| self.at_attribute(group, name, wrong(&format!("{group} {name}"), found, "a number"));
        let found = type_of(&attribute).ok_or_else(|| wrong("of an unknown type".to_owned()))?;
        if !is_number(&found) {
            return Err(wrong(format!("of type {found}")));
        }
        if attribute.size() != 1 {
            return Err(wrong(format!("{} values", attribute.size())));
        }
        let values = attribute.read_raw::<f64>();
        let values = values.map_err(|error| self.at_attribute(group, name, failed("read", &error)))?;
        Ok(values.first().copied())
    }

    /// A text from an attribute of a group; `None` where group or attribute is absent.
    pub(crate) fn text(&self, group: &str, name: &str) -> Result<Option<String>, StudyError> {
        let Some(attribute) = self.attribute(group, name)? else {
            return Ok(None);
        };
        let what = format!("{group} {name}");
        if attribute.size() != 1 {
            let found = format!("{} values", attribute.size());
            return Err(self.at_attribute(group, name, wrong(&what, found, "one text")));
        }
        let texts = texts_of(&attribute, &what);
        let texts = texts.map_err(|(_, fault)| self.at_attribute(group, name, fault))?;
        Ok(texts.into_iter().next())
    }

    fn attribute(&self, group: &str, name: &str) -> Result<Option<Attribute>, StudyError> {
        let Some(location) = self.group(group)? else {
            return Ok(None);
        };
        let names = location.attr_names();
        let names = names.map_err(|error| self.at(group, failed("read", &error)))?;
        if !names.iter().any(|other| other == name) {
            return Ok(None);
        }
        let attribute = location.attr(name);
        attribute
            .map(Some)
            .map_err(|error| self.at_attribute(group, name, failed("read", &error)))
    }

    /// The numbers of a dataset of a known number of dimensions, with its shape, which `check` may refuse.
    pub(crate) fn numbers<T: H5Type, const D: usize>(
        &self,
        path: &str,
        expected: &'static str,
        check: impl FnOnce([usize; D]) -> Result<(), Fault>,
    ) -> Result<(Vec<T>, [usize; D]), StudyError> {
        let dataset = self.dataset(path, expected)?;
        let found = type_of(&dataset);
        if !found.as_ref().is_some_and(is_number) {
            let found = found.map_or("of an unknown type".to_owned(), |found| format!("of type {found}"));
            return Err(self.at(path, wrong(path, found, "numbers")));
        }
        let shape = self.shape(&dataset, path, expected)?;
        check(shape).map_err(|fault| self.at(path, fault))?;
        self.check_claim(&dataset, path, size_of::<T>())?;
        let values = dataset.read_raw::<T>();
        let values = values.map_err(|error| self.at(path, failed("read", &error)))?;
        Ok((values, shape))
    }

    /// The texts of a dataset of a known number of dimensions, with its shape, which `check` may refuse.
    pub(crate) fn texts<const D: usize>(
        &self,
        path: &str,
        expected: &'static str,
        check: impl FnOnce([usize; D]) -> Result<(), Fault>,
    ) -> Result<(Vec<String>, [usize; D]), StudyError> {
        let dataset = self.dataset(path, expected)?;
        let shape = self.shape(&dataset, path, expected)?;
        check(shape).map_err(|fault| self.at(path, fault))?;
        self.check_claim(&dataset, path, size_of::<String>())?;
        let texts = texts_of(&dataset, path).map_err(|(index, fault)| match index {
            Some(index) => self.at_element(path, unravel(index, &shape), fault),
            None => self.at(path, fault),
        })?;
        Ok((texts, shape))
    }

    fn shape<const D: usize>(
        &self,
        dataset: &Dataset,
        path: &str,
        expected: &'static str,
    ) -> Result<[usize; D], StudyError> {
        let found = dataset.get_shape();
        let found = found.map_err(|error| self.at(path, failed("read", &error)))?;
        <[usize; D]>::try_from(found.as_slice()).map_err(|_| {
            let expected = expected.to_owned();
            self.at(path, Fault::WrongShape { found, expected })
        })
    }

    /// Refuses a dataset that claims far more than the file stores, before room is made for it.
    fn check_claim(&self, dataset: &Dataset, path: &str, bytes_each: usize) -> Result<(), StudyError> {
        let too_large = |what, found, most| self.at(path, Fault::TooLarge { what, found, most });
        let claimed = (dataset.size() as u64).saturating_mul(bytes_each as u64);
        let most = dataset
            .storage_size()
            .saturating_mul(MOST_PACKED)
            .saturating_add(FREE_CLAIM);
        if claimed > most {
            return Err(too_large(
                "bytes claimed by a dataset of this stored size",
                claimed,
                most,
            ));
        }
        if let Some(chunk) = dataset.chunk() {
            let size = type_size(dataset).max(bytes_each);
            let bytes = chunk.iter().fold(size, |bytes, &length| bytes.saturating_mul(length));
            if bytes > LARGEST_CHUNK {
                return Err(too_large("bytes in a chunk", bytes as u64, LARGEST_CHUNK as u64));
            }
        }
        Ok(())
    }
}

/// An HDF5 file that is being made out of a template.
#[derive(Debug)]
pub(crate) struct Sink<'f> {
    file: &'f Path,
    root: hdf5::File,
}

impl<'f> Sink<'f> {
    pub(crate) fn create(file: &'f Path, template: &[u8]) -> Result<Self, StudyError> {
        hdf5::silence_errors(true);
        fs::write(file, template).map_err(|error| StudyError::io(file, "written", error))?;
        let root = open_any(file, OpenMode::ReadWrite);
        let root = root.map_err(|error| StudyError::new(Place::file(file), failed("written", &error)))?;
        Ok(Self { file, root })
    }

    fn at<T>(&self, object: &str, result: hdf5::Result<T>) -> Result<T, StudyError> {
        result.map_err(|error| {
            let place = Place::Object {
                file: self.file.to_owned(),
                object: object.to_owned(),
            };
            StudyError::new(place, failed("written", &error))
        })
    }

    /// Gives a dataset of one dimension its length and values.
    pub(crate) fn fill<T: H5Type>(&self, path: &str, values: &[T]) -> Result<(), StudyError> {
        self.fill_shaped(path, vec![values.len()], values)
    }

    /// Gives a dataset of two dimensions its shape and values, row by row.
    pub(crate) fn fill_table<T: H5Type>(
        &self,
        path: &str,
        rows: usize,
        columns: usize,
        values: &[T],
    ) -> Result<(), StudyError> {
        self.fill_shaped(path, vec![rows, columns], values)
    }

    /// Gives a dataset of three dimensions its shape and values, the last dimension running fastest.
    pub(crate) fn fill_volume<T: H5Type>(&self, path: &str, shape: [usize; 3], values: &[T]) -> Result<(), StudyError> {
        self.fill_shaped(path, shape.to_vec(), values)
    }

    fn fill_shaped<T: H5Type>(&self, path: &str, shape: Vec<usize>, values: &[T]) -> Result<(), StudyError> {
        let dataset = self.at(path, self.root.dataset(path))?;
        self.at(path, dataset.resize(shape))?;
        if values.is_empty() {
            return Ok(());
        }
        self.at(path, dataset.write_raw(values))
    }

    /// Gives a dataset of one dimension its length and texts.
    pub(crate) fn fill_texts<'t>(
        &self,
        path: &str,
        texts: impl IntoIterator<Item = &'t str>,
    ) -> Result<(), StudyError> {
        let texts: Vec<VarLenUnicode> = self.owned(path, texts)?;
        self.fill(path, &texts)
    }

    /// Texts as the library takes them; none may hold a NUL.
    pub(crate) fn owned<'t>(
        &self,
        path: &str,
        texts: impl IntoIterator<Item = &'t str>,
    ) -> Result<Vec<VarLenUnicode>, StudyError> {
        let texts: Result<_, _> = texts.into_iter().map(str::parse).collect();
        self.at(path, texts.map_err(|_| "text with a NUL character".into()))
    }

    /// Gives a scalar dataset its text.
    pub(crate) fn put_text(&self, path: &str, text: &str) -> Result<(), StudyError> {
        let texts = self.owned(path, [text])?;
        let dataset = self.at(path, self.root.dataset(path))?;
        self.at(path, dataset.write_raw(&texts))
    }

    /// Adds a number to a group's attributes.
    pub(crate) fn number(&self, group: &str, name: &str, value: f64) -> Result<(), StudyError> {
        let owner = self.at(group, self.root.group(group))?;
        self.attribute(&owner, group, name, &value)
    }

    /// Adds a text to a group's attributes.
    pub(crate) fn text(&self, group: &str, name: &str, value: &str) -> Result<(), StudyError> {
        let owner = self.at(group, self.root.group(group))?;
        for text in self.owned(group, [value])? {
            self.attribute(&owner, group, name, &text)?;
        }
        Ok(())
    }

    /// Adds a text to a dataset's attributes.
    pub(crate) fn dataset_text(&self, path: &str, name: &str, value: &str) -> Result<(), StudyError> {
        let owner = self.at(path, self.root.dataset(path))?;
        for text in self.owned(path, [value])? {
            self.attribute(&owner, path, name, &text)?;
        }
        Ok(())
    }

    fn attribute<T: H5Type>(&self, owner: &Location, path: &str, name: &str, value: &T) -> Result<(), StudyError> {
        let attribute = owner.new_attr::<T>().create(name);
        self.at(path, attribute.and_then(|attribute| attribute.write_scalar(value)))
    }

    /// Says what the numbers of a time are counted from; without a start they are seconds and nothing more.
    pub(crate) fn time_units(&self, path: &str, started: Option<&crate::Started>) -> Result<(), StudyError> {
        let Some(started) = started else {
            return self.dataset_text(path, "units", "s");
        };
        let civil = started.civil;
        let units = format!(
            "seconds since {} {} {}",
            civil.date(),
            civil.time(),
            started.offset_text()
        );
        self.dataset_text(path, "standard_name", "time")?;
        self.dataset_text(path, "units", &units)?;
        self.dataset_text(path, "calendar", "standard")
    }

    /// Ends the file; every handle on it must be gone.
    pub(crate) fn finish(self) -> Result<(), StudyError> {
        self.at("/", self.root.flush())?;
        let file = self.file;
        let closed = self.root.close();
        closed.map_err(|error| StudyError::new(Place::file(file), failed("written", &error)))
    }
}

/// A fault of the library.
fn failed(doing: &'static str, error: &hdf5::Error) -> Fault {
    let message = brief(error);
    Fault::Hdf5 { doing, message }
}

/// The library's message on one line.
fn brief(error: &hdf5::Error) -> String {
    error
        .to_string()
        .lines()
        .next()
        .unwrap_or_default()
        .chars()
        .take(200)
        .collect()
}

fn wrong(what: &str, found: String, expected: &str) -> Fault {
    Fault::WrongValue {
        what: what.to_owned(),
        found,
        expected: expected.to_owned(),
    }
}

fn type_of(container: &Container) -> Option<TypeDescriptor> {
    container.dtype().ok()?.to_descriptor().ok()
}

fn type_size(container: &Container) -> usize {
    container.dtype().map_or(usize::MAX, |dtype| dtype.size())
}

fn is_number(found: &TypeDescriptor) -> bool {
    matches!(
        found,
        TypeDescriptor::Integer(_) | TypeDescriptor::Unsigned(_) | TypeDescriptor::Float(_)
    )
}

/// The texts of a dataset or attribute; a fault of one text comes with its index.
fn texts_of(container: &Container, what: &str) -> Result<Vec<String>, (Option<usize>, Fault)> {
    match type_of(container) {
        Some(TypeDescriptor::VarLenUnicode) => checked::<VarLenUnicode>(container),
        Some(TypeDescriptor::VarLenAscii) => checked::<VarLenAscii>(container),
        Some(TypeDescriptor::FixedUnicode(length)) if length <= LONGEST_FIXED => {
            checked::<FixedUnicode<LONGEST_FIXED>>(container)
        }
        Some(TypeDescriptor::FixedAscii(length)) if length <= LONGEST_FIXED => {
            checked::<FixedAscii<LONGEST_FIXED>>(container)
        }
        Some(found) => Err((None, wrong(what, format!("of type {found}"), "text"))),
        None => Err((None, wrong(what, "of an unknown type".to_owned(), "text"))),
    }
}

fn checked<T: H5Type + AsRef<[u8]>>(container: &Container) -> Result<Vec<String>, (Option<usize>, Fault)> {
    let found = container
        .read_raw::<T>()
        .map_err(|error| (None, failed("read", &error)))?;
    let text = |(index, text): (usize, &T)| {
        // The library takes any bytes for text.
        let text = std::str::from_utf8(AsRef::<[u8]>::as_ref(text));
        text.map(str::to_owned).map_err(|_| (Some(index), Fault::NotUtf8))
    };
    found.iter().enumerate().map(text).collect()
}

/// The index in each dimension of the k-th element.
fn unravel(mut k: usize, shape: &[usize]) -> Vec<usize> {
    let mut index = vec![0; shape.len()];
    for (place, &length) in index.iter_mut().zip(shape).rev() {
        *place = k % length.max(1);
        k /= length.max(1);
    }
    index
}

/// Refuses more of something than any study has.
pub(crate) fn at_most(what: &'static str, found: usize, most: usize) -> Result<(), Fault> {
    if found <= most {
        return Ok(());
    }
    Err(crate::description::too_many(what, found, most))
}

/// Refuses a length other than the expected one.
pub(crate) fn exactly<const D: usize>(found: [usize; D], expected: [usize; D]) -> Result<(), Fault> {
    if found == expected {
        return Ok(());
    }
    let lengths: Vec<String> = expected.iter().map(usize::to_string).collect();
    Err(Fault::WrongShape {
        found: found.to_vec(),
        expected: lengths.join(" × "),
    })
}
