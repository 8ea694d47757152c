//! What a run can do with the recorded bench: each method is one act.

use std::time::Duration;

use wattproof_bench::{
    Bench, BenchError, BurstCaptured, BurstDrive, Captured, ChannelCaptured, NoiseCaptured, NoiseDrive,
    Rested, TwoToneCaptured, TwoToneDrive, read_channels,
};
use wattproof_signal::{TwoToneSettings, read_noise, read_two_tone};

use super::act::Told;
use super::bench::Live;
use super::{Act, RecordedBench};
use crate::{RunError, Typist};

impl RecordedBench {
    fn plain(
        &mut self,
        act: Act,
        live: impl FnOnce(&Bench) -> Result<(), BenchError>,
    ) -> Result<(), RunError> {
        self.act(act, |bench| live(bench).map(|()| Live { told: Told::Done, channels: Vec::new() }))?;
        Ok(())
    }

    /// Samples per channel of the next captures.
    pub fn set_samples(&mut self, samples: usize) -> Result<(), RunError> {
        self.plain(Act::Samples { samples }, |bench| bench.set_samples(samples))?;
        self.note_samples(samples);
        Ok(())
    }

    /// Which channels the source drives: the first so many.
    pub fn set_driven(&mut self, channels: usize) -> Result<(), RunError> {
        self.plain(Act::Driven { channels }, |bench| {
            bench.set_driven(channels);
            Ok(())
        })
    }

    /// Load of every channel, ohm.
    pub fn set_load(&mut self, load_ohm: f64) -> Result<(), RunError> {
        self.plain(Act::Load { load_ohm }, |bench| bench.set_load(load_ohm))
    }

    /// Supply voltage, V.
    pub fn set_supply(&mut self, volts_v: f64) -> Result<(), RunError> {
        self.plain(Act::Supply { volts_v }, |bench| bench.set_supply(volts_v))
    }

    /// Supply current limit, A.
    pub fn set_supply_limit(&mut self, amps_a: f64) -> Result<(), RunError> {
        self.plain(Act::SupplyLimit { amps_a }, |bench| bench.set_supply_limit(amps_a))
    }

    /// Supply on or off.
    pub fn switch_supply(&mut self, on: bool) -> Result<(), RunError> {
        if on {
            self.plain(Act::SupplyOn, Bench::supply_on)
        } else {
            self.plain(Act::SupplyOff, Bench::supply_off)
        }
    }

    /// Source frequency, Hz.
    pub fn set_frequency(&mut self, hz: f64) -> Result<(), RunError> {
        self.plain(Act::Frequency { hz }, |bench| bench.set_frequency(hz))
    }

    /// Source level of one tone, V rms.
    pub fn set_level(&mut self, level_vrms: f64) -> Result<(), RunError> {
        self.plain(Act::Level { level_vrms }, |bench| bench.set_level(level_vrms))
    }

    /// Bursts.
    pub fn set_burst(&mut self, drive: BurstDrive) -> Result<(), RunError> {
        self.plain(Act::Burst(drive), |bench| bench.set_burst(&drive))
    }

    /// Two tones.
    pub fn set_two_tone(&mut self, drive: TwoToneDrive) -> Result<(), RunError> {
        self.plain(Act::TwoTone(drive), |bench| bench.set_two_tone(&drive))
    }

    /// Sees to it that the load can take a level for so long, with the source off meanwhile if it must.
    pub fn rest_load(&mut self, level_vrms: f64, share: f64, seconds: f64) -> Result<Rested, RunError> {
        let asked = |bench: &Bench| {
            let Rested { rested_s, room_s } = bench.rest_load(level_vrms, share, seconds)?;
            Ok(Live { told: Told::Rested { rested_s, room_s }, channels: Vec::new() })
        };
        match self.act(Act::RestLoad { level_vrms, share, seconds }, asked)?.0 {
            Told::Rested { rested_s, room_s } => Ok(Rested { rested_s, room_s }),
            other => Err(RunError::Call(format!("the journal holds no rest but {other:?}"))),
        }
    }

    /// What a person types next; none at the end.
    pub fn next_typed(&mut self, typist: Option<&dyn Typist>) -> Result<Option<String>, RunError> {
        let typed = |bench: &Bench| {
            let told = match typist {
                Some(typist) => typist.next(&mut || bench.wait(Duration::ZERO))?,
                None => None,
            };
            Ok(Live { told: Told::Typed(told), channels: Vec::new() })
        };
        match self.act(Act::Typed, typed)?.0 {
            Told::Typed(text) => Ok(text),
            other => Err(RunError::Call(format!("the journal holds nothing typed but {other:?}"))),
        }
    }

    /// Noise.
    pub fn set_noise(&mut self, drive: NoiseDrive) -> Result<(), RunError> {
        self.plain(Act::Noise(drive), |bench| bench.set_noise(&drive))
    }

    /// Captures noise and reads it.
    pub fn capture_noise(&mut self) -> Result<NoiseCaptured, RunError> {
        let (told, channels) = self.act(Act::CaptureNoise, |bench| {
            let NoiseCaptured { at_s, channels, supply_v, supply_a, heatsink_c, .. } =
                bench.capture_noise()?;
            Ok(live(bench.now_s() - at_s, channels, supply_v, supply_a, heatsink_c))
        })?;
        let (ago_s, supply_v, supply_a, heatsink_c) = meters(&told)?;
        let readings = channels.iter().map(|channel| read_noise(&channel.capture)).collect();
        Ok(NoiseCaptured { at_s: self.now_s() - ago_s, channels, readings, supply_v, supply_a, heatsink_c })
    }

    /// Captures outputs that nobody drives; what they tell is read by whoever asked.
    pub fn capture_idle(&mut self) -> Result<BurstCaptured, RunError> {
        let (told, channels) = self.act(Act::CaptureIdle, |bench| {
            let NoiseCaptured { at_s, channels, supply_v, supply_a, heatsink_c, .. } =
                bench.capture_noise()?;
            Ok(live(bench.now_s() - at_s, channels, supply_v, supply_a, heatsink_c))
        })?;
        let (ago_s, supply_v, supply_a, heatsink_c) = meters(&told)?;
        Ok(BurstCaptured { at_s: self.now_s() - ago_s, channels, supply_v, supply_a, heatsink_c })
    }

    /// Source on or off.
    pub fn switch_source(&mut self, on: bool) -> Result<(), RunError> {
        if on {
            self.plain(Act::SourceOn, Bench::source_on)
        } else {
            self.plain(Act::SourceOff, Bench::source_off)
        }
    }

    /// Waits until every change has settled.
    pub fn settle(&mut self) -> Result<(), RunError> {
        self.plain(Act::Settle, Bench::settle)
    }

    /// Waits.
    pub fn wait(&mut self, length: Duration) -> Result<(), RunError> {
        self.plain(Act::Wait { seconds: length.as_secs_f64() }, |bench| bench.wait(length))
    }

    /// Heatsink temperature, °C.
    pub fn heatsink_c(&mut self) -> Result<f64, RunError> {
        let asked =
            |bench: &Bench| Ok(Live { told: Told::HeatsinkC(bench.heatsink_c()?), channels: Vec::new() });
        match self.act(Act::Heatsink, asked)?.0 {
            Told::HeatsinkC(heatsink_c) => Ok(heatsink_c),
            other => Err(RunError::Call(format!("the journal holds no temperature but {other:?}"))),
        }
    }

    /// Temperature of the room's air, °C; `None` where nothing measures it.
    pub fn ambient_c(&mut self) -> Result<Option<f64>, RunError> {
        let asked =
            |bench: &Bench| Ok(Live { told: Told::AmbientC(bench.ambient_c()?), channels: Vec::new() });
        match self.act(Act::Ambient, asked)?.0 {
            Told::AmbientC(ambient_c) => Ok(ambient_c),
            other => Err(RunError::Call(format!("the journal holds no temperature but {other:?}"))),
        }
    }

    /// Captures all channels and reads them.
    pub fn capture(&mut self, hz: f64) -> Result<Captured, RunError> {
        self.captured(hz, Act::Capture { hz }, |bench| bench.capture(hz))
    }

    /// As [`RecordedBench::capture`], and sets the next source level while the samples travel.
    pub fn capture_then(&mut self, hz: f64, next_vrms: f64) -> Result<Captured, RunError> {
        self.captured(hz, Act::CaptureThen { hz, next_vrms }, |bench| bench.capture_then(hz, next_vrms))
    }

    /// As [`RecordedBench::capture`], with a record of `record_s` seconds.
    pub fn capture_short(&mut self, hz: f64, record_s: f64) -> Result<Captured, RunError> {
        self.captured(hz, Act::CaptureShort { hz, record_s }, |bench| bench.capture_short(hz, record_s))
    }

    fn captured(
        &mut self,
        hz: f64,
        act: Act,
        capture: impl FnOnce(&Bench) -> Result<Captured, BenchError>,
    ) -> Result<Captured, RunError> {
        let mut read = None;
        let (told, channels) = self.act(act, |bench| {
            let mut captured = capture(bench)?;
            read = Some(std::mem::take(&mut captured.readings));
            Ok(kept(bench, captured))
        })?;
        let (ago_s, supply_v, supply_a, heatsink_c) = meters(&told)?;
        // The same samples give the same readings to the bit: live ones need not be computed twice.
        let readings = read.unwrap_or_else(|| read_channels(self.file(), &channels, hz));
        let further_c = match told {
            Told::Captured { further_c, .. } => further_c,
            _ => Vec::new(),
        };
        let at_s = self.now_s() - ago_s;
        Ok(Captured { at_s, channels, readings, supply_v, supply_a, heatsink_c, further_c })
    }

    /// Records the next burst whole.
    pub fn capture_burst(&mut self, hz: f64) -> Result<BurstCaptured, RunError> {
        let (told, channels) = self.act(Act::CaptureBurst { hz }, |bench| {
            let BurstCaptured { at_s, channels, supply_v, supply_a, heatsink_c } = bench.capture_burst(hz)?;
            Ok(live(bench.now_s() - at_s, channels, supply_v, supply_a, heatsink_c))
        })?;
        let (ago_s, supply_v, supply_a, heatsink_c) = meters(&told)?;
        Ok(BurstCaptured { at_s: self.now_s() - ago_s, channels, supply_v, supply_a, heatsink_c })
    }

    /// Captures two tones and reads them.
    pub fn capture_two_tone(&mut self, settings: &TwoToneSettings) -> Result<TwoToneCaptured, RunError> {
        let (told, channels) = self.act(Act::CaptureTwoTone { settings: settings.clone() }, |bench| {
            let TwoToneCaptured { at_s, channels, supply_v, supply_a, heatsink_c, .. } =
                bench.capture_two_tone(settings)?;
            Ok(live(bench.now_s() - at_s, channels, supply_v, supply_a, heatsink_c))
        })?;
        let (ago_s, supply_v, supply_a, heatsink_c) = meters(&told)?;
        let readings = channels.iter().map(|channel| read_two_tone(&channel.capture, settings)).collect();
        Ok(TwoToneCaptured { at_s: self.now_s() - ago_s, channels, readings, supply_v, supply_a, heatsink_c })
    }
}

fn kept(bench: &Bench, captured: Captured) -> Live {
    let ago_s = bench.now_s() - captured.at_s;
    let mut live = live(ago_s, captured.channels, captured.supply_v, captured.supply_a, captured.heatsink_c);
    if let Told::Captured { further_c, .. } = &mut live.told {
        *further_c = captured.further_c;
    }
    live
}

fn live(
    ago_s: f64,
    channels: Vec<ChannelCaptured>,
    supply_v: Option<f64>,
    supply_a: Option<f64>,
    heatsink_c: Option<f64>,
) -> Live {
    // The file is named and hashed once it is stored.
    let capture = crate::captures::CaptureRef { file: String::new(), sha256: String::new() };
    Live {
        told: Told::Captured { capture, ago_s, supply_v, supply_a, heatsink_c, further_c: Vec::new() },
        channels,
    }
}

/// How long ago everything was taken, s; supply voltage, supply current, heatsink.
type Meters = (f64, Option<f64>, Option<f64>, Option<f64>);

fn meters(told: &Told) -> Result<Meters, RunError> {
    match told {
        Told::Captured { ago_s, supply_v, supply_a, heatsink_c, .. } => {
            Ok((*ago_s, *supply_v, *supply_a, *heatsink_c))
        }
        other => Err(RunError::Call(format!("the journal holds no capture but {other:?}"))),
    }
}
