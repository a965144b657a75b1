//! A container -> packets in the order of playing, with what the container's own clock says of each.

use symphonia::core::errors::Error;
use symphonia::core::formats::FormatReader;
use symphonia::core::packet::Packet;

/// What the container's clock says of some packets that belong together.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Stamp {
    /// Where the first sample stands, in units of the clock.
    Begins(i64),
    /// Where the sample after the last one stands; `last`: what goes beyond it is padding. `lost`: something before them is
    /// known to be missing.
    Ends { at: i64, last: bool, lost: bool },
}

/// Packets that are decoded and placed together.
pub(super) struct Batch {
    pub(super) packets: Vec<Packet>,
    pub(super) stamp: Stamp,
}

/// A demultiplexer.
pub(super) trait Demux: Send + Sync {
    /// The next packets of the sound track; `None` at the end.
    fn next(&mut self) -> Result<Option<Batch>, Error>;

    /// At the end: whether something is missing there.
    fn cut(&self) -> bool {
        false
    }
}

/// One track of a stock demultiplexer.
pub(super) struct OneTrack {
    pub(super) reader: Box<dyn FormatReader>,
    pub(super) track: u32,
}

impl Demux for OneTrack {
    fn next(&mut self) -> Result<Option<Batch>, Error> {
        while let Some(packet) = self.reader.next_packet()? {
            if packet.track_id == self.track {
                let stamp = Stamp::Begins(packet.pts.get());
                return Ok(Some(Batch { packets: vec![packet], stamp }));
            }
        }
        Ok(None)
    }
}
