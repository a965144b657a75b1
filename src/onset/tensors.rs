//! A file of fitted weights -> its tensors by name, or why it is none of the ear's.

use safetensors::{Dtype, SafeTensorError, SafeTensors};

/// Why a file of weights is none of the ear's.
#[derive(Debug, thiserror::Error)]
pub(crate) enum WeightsError {
    #[error("it cannot be read: {0}")]
    Unreadable(#[from] SafeTensorError),
    #[error("`{name}` is {found:?}, not {expected:?}")]
    Shape { name: String, expected: Vec<usize>, found: Vec<usize> },
    #[error("`{name}` holds other numbers than `F32`")]
    Numbers { name: String },
    #[error("its metadata gives no number as `{name}`")]
    Metadata { name: &'static str },
}

/// The file's tensors.
pub(super) struct Tensors<'a>(SafeTensors<'a>);

impl<'a> Tensors<'a> {
    pub(super) fn of(bytes: &'a [u8]) -> Result<Self, WeightsError> {
        Ok(Tensors(SafeTensors::deserialize(bytes)?))
    }

    pub(super) fn has(&self, name: &str) -> bool {
        self.0.tensor(name).is_ok()
    }

    /// The numbers of a tensor, and its shape without ones.
    pub(super) fn any(&self, name: &str) -> Result<(Vec<f32>, Vec<usize>), WeightsError> {
        let tensor = self.0.tensor(name)?;
        if tensor.dtype() != Dtype::F32 {
            return Err(WeightsError::Numbers { name: name.to_owned() });
        }
        let numbers = tensor.data().as_chunks().0.iter().map(|bytes| f32::from_le_bytes(*bytes)).collect();
        Ok((numbers, without_ones(tensor.shape())))
    }

    pub(super) fn get(&self, name: &str, shape: &[usize]) -> Result<Vec<f32>, WeightsError> {
        let (numbers, found) = self.any(name)?;
        let expected = without_ones(shape);
        if found == expected {
            Ok(numbers)
        } else {
            Err(WeightsError::Shape { name: name.to_owned(), expected, found })
        }
    }
}

fn without_ones(shape: &[usize]) -> Vec<usize> {
    shape.iter().copied().filter(|n| *n != 1).collect()
}
