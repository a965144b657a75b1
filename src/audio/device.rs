//! The machine's microphones and loudspeakers, and what may be wrong with them, in plain words.

use cpal::traits::{DeviceTrait, HostTrait};
use cpal::{Device, ErrorKind, SampleFormat, StreamConfig};
use thiserror::Error;

/// Rates asked for, best first: what microphones and browsers run at.
const RATES: [u32; 2] = [48_000, 44_100];
/// Samples a callback is asked for: 10 ms. Devices take it as a hint.
const CALLBACK: u32 = 480;

/// Why nothing can be recorded or played. [`DeviceError::hint`] says what to do.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum DeviceError {
    /// There is none.
    #[error("there is no {what} on this machine")]
    None {
        /// `microphone` or `loudspeaker`.
        what: &'static str,
        /// What the system said.
        source: Option<cpal::Error>,
    },
    /// None of that name.
    #[error("there is no {what} called `{name}`; there is {}", listed(.there))]
    Named {
        /// `microphone` or `loudspeaker`.
        what: &'static str,
        /// As asked for.
        name: String,
        /// What there is.
        there: Vec<String>,
    },
    /// It is there and does not work.
    #[error("the {what} `{name}` cannot be used")]
    Refused {
        /// `microphone` or `loudspeaker`.
        what: &'static str,
        /// Its name.
        name: String,
        /// What the system said.
        source: cpal::Error,
    },
}

fn listed(names: &[String]) -> String {
    if names.is_empty() { "none".into() } else { names.iter().map(|n| format!("`{n}`")).collect::<Vec<_>>().join(", ") }
}

impl DeviceError {
    /// The way out, in one line.
    pub fn hint(&self) -> &'static str {
        match self {
            DeviceError::None { what: "microphone", .. } => {
                "plug one in or switch it on; or record with a phone and give that file to `pailbeat assess`"
            }
            DeviceError::None { .. } => {
                "plug one in; or record without it (`--no-guide`), or play the file that `pailbeat guide` writes on another device"
            }
            DeviceError::Named { .. } => "give one of these names, or a piece of one that only it has",
            DeviceError::Refused { source, .. } => match source.kind() {
                ErrorKind::DeviceBusy => "close the other program that uses it, then try again",
                ErrorKind::PermissionDenied => "allow this program to use it in the system's settings",
                _ => "choose another with `--microphone` or `--loudspeaker`; `pailbeat soundcheck --list` shows them",
            },
        }
    }
}

/// Which way sound goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Way {
    In,
    Out,
}

impl Way {
    pub(super) const fn what(self) -> &'static str {
        match self {
            Way::In => "microphone",
            Way::Out => "loudspeaker",
        }
    }
}

pub(super) fn name_of(device: &Device) -> String {
    device.description().map_or_else(|_| "unnamed".into(), |d| d.name().to_string())
}

/// ALSA writes its attempts to standard error, a page for every device that is not there. What matters comes back as an
/// error; the rest is kept from the reader.
fn quiet() {
    #[cfg(target_os = "linux")]
    {
        // Without the handler only the noise is back.
        let _ = alsa::Output::local_error_handler();
    }
}

fn all(way: Way) -> Vec<Device> {
    let host = cpal::default_host();
    match way {
        Way::In => host.input_devices().map(Iterator::collect).unwrap_or_default(),
        Way::Out => host.output_devices().map(Iterator::collect).unwrap_or_default(),
    }
}

/// Names of the microphones and of the loudspeakers.
pub fn devices() -> (Vec<String>, Vec<String>) {
    quiet();
    let names = |way| all(way).iter().map(name_of).collect();
    (names(Way::In), names(Way::Out))
}

/// The device of that name (or the only one with that in its name), or the one the system prefers.
pub(super) fn choose(way: Way, wanted: Option<&str>) -> Result<Device, DeviceError> {
    quiet();
    let what = way.what();
    let Some(wanted) = wanted else {
        let host = cpal::default_host();
        let found = match way {
            Way::In => host.default_input_device(),
            Way::Out => host.default_output_device(),
        };
        return found.ok_or(DeviceError::None { what, source: None });
    };
    let mut devices = all(way);
    let there: Vec<String> = devices.iter().map(name_of).collect();
    let like = |name: &str| name.to_lowercase().contains(&wanted.to_lowercase());
    let exact = there.iter().position(|n| n == wanted);
    let only = Some(there.iter().filter(|n| like(n)).count()).filter(|n| *n == 1);
    let found = exact.or_else(|| only.and_then(|_| there.iter().position(|n| like(n))));
    match found {
        Some(k) => Ok(devices.swap_remove(k)),
        None => Err(DeviceError::Named { what, name: wanted.into(), there }),
    }
}

/// How a device may be opened, best first. The first that it takes is used: asking what it can do opens it, and some
/// devices answer wrongly.
pub(super) fn ways_to_open(device: &Device, way: Way) -> Vec<(StreamConfig, SampleFormat)> {
    let buffer_size = cpal::BufferSize::Fixed(CALLBACK);
    let mut out = Vec::new();
    let channels: &[u16] = if way == Way::In { &[1, 2] } else { &[2, 1] };
    for sample_rate in RATES {
        for &channels in channels {
            out.push((StreamConfig { channels, sample_rate, buffer_size }, SampleFormat::F32));
            out.push((StreamConfig { channels, sample_rate, buffer_size }, SampleFormat::I16));
        }
    }
    let own = if way == Way::In { device.default_input_config() } else { device.default_output_config() };
    if let Ok(own) = own {
        out.push((own.config(), own.sample_format()));
    }
    out
}

/// A device that cannot be opened in any way.
pub(super) fn refused(way: Way, device: &Device, source: cpal::Error) -> DeviceError {
    let what = way.what();
    match source.kind() {
        ErrorKind::DeviceNotAvailable | ErrorKind::HostUnavailable => DeviceError::None { what, source: Some(source) },
        _ => DeviceError::Refused { what, name: name_of(device), source },
    }
}
