//! Level and noise in light, by hand-made records whose light is known.

use noise_measure::format::Channel;
use noise_measure::light::fill;
use noise_measure::meter::{LightConfig, TransferSource};
use noise_measure::quantile::{chi_squared, normal, spread_interval};
use noise_measure::record::{
    ByChannel, CodesRecord, ComponentRecord, LightRecord, NoteCode, RegionRecord, Variances,
};
use noise_measure::transfer::Transfer;

/// Codes of a percent in 10-bit narrow range.
const CODES: f64 = 8.76;

fn component(mean: f64, temporal: f64) -> ComponentRecord {
    ComponentRecord {
        mean: Some(mean),
        temporal: Some(temporal),
        temporal_long: Some(temporal),
        temporal_long_ci: Some([0.9 * temporal, 1.2 * temporal]),
        fixed: Some(0.5 * temporal),
        total: Some(1.25_f64.sqrt() * temporal),
        corr_t: Some(0.0),
        drift: Some(0.3),
        codes: Some(CodesRecord { clipped_low: Some(0.0), ..CodesRecord::default() }),
        frame_means: [0.1, -0.1, -0.1, 0.1].map(|offset| 64.0 + CODES * (mean + offset)).to_vec(),
        var: Variances { temporal: Some((CODES * temporal).powi(2)), ..Variances::default() },
        ..ComponentRecord::default()
    }
}

fn region(name: &str, role: Option<&str>, components: Vec<(Channel, ComponentRecord)>) -> RegionRecord {
    RegionRecord {
        name: name.to_owned(),
        role: role.map(str::to_owned),
        x: 0,
        y: 0,
        width: 8,
        height: 8,
        components: ByChannel(components),
        chroma_ratio: None,
        light: None,
        notes: Vec::new(),
    }
}

fn luma(name: &str, role: Option<&str>, component: ComponentRecord) -> RegionRecord {
    region(name, role, vec![(Channel::Y, component)])
}

fn config(transfer: Transfer) -> LightConfig {
    LightConfig { transfer, source: TransferSource::Caps }
}

fn filled(mut regions: Vec<RegionRecord>, light: LightConfig) -> Vec<RegionRecord> {
    fill(&mut regions, &light, 25.0);
    let once = regions.clone();
    fill(&mut regions, &light, 25.0);
    assert_eq!(once, regions, "filling again changes nothing");
    regions
}

fn light(region: &RegionRecord) -> &LightRecord {
    region.light.as_ref().expect("light")
}

fn near(found: Option<f64>, expected: f64) {
    let found = found.expect("a number");
    assert!((found - expected).abs() <= 1e-9 * expected.abs().max(1.0), "{found} for {expected}");
}

#[test]
fn samples_that_are_light() {
    let regions = filled(vec![luma("a", Some("grey"), component(36.0, 0.9))], config(Transfer::Linear));
    let found = light(&regions[0]);
    near(found.mean, 0.36);
    assert_eq!((found.domain.as_str(), found.black.as_str()), ("scene", "nominal"));
    assert_eq!(found.transfer_source, "caps");
    near(found.stops_from_grey, 0.0);
    near(found.stops_from_18, 1.0);
    near(found.snr_temporal_db, 20.0 * 40.0_f64.log10());
    near(found.snr_fixed_db, 20.0 * 80.0_f64.log10());
    near(found.snr_total_db, 20.0 * (40.0 / 1.25_f64.sqrt()).log10());
    assert_eq!(found.snr_lower_db, None);
    assert_eq!(found.snr_chroma_db, None);
    // 0.3 % a second of 36 %.
    near(regions[0].components.get(Channel::Y).expect("Y").drift_stops, 0.3 / 36.0 / 2.0_f64.ln());
    assert!(regions[0].notes.is_empty());
}

#[test]
fn the_slope_of_a_curve_scales_the_noise() {
    // BT.709 at 18 %: light's signal-to-noise ratio is 5.052974 dB under that of the codes.
    let v = Transfer::Bt709.from_light(0.18);
    let regions = filled(vec![luma("a", None, component(100.0 * v, 0.01))], config(Transfer::Bt709));
    let snr = light(&regions[0]).snr_temporal_db.expect("a ratio");
    let expected = 20.0 * (100.0 * v / 0.01).log10() - 5.052_974;
    assert!((snr - expected).abs() < 5e-6, "{snr} for {expected}");
    near(light(&regions[0]).stops_from_18, 0.0);
    assert_eq!(light(&regions[0]).stops_from_grey, None, "no region has the role grey");
}

#[test]
fn the_interval_holds_spread_and_mean() {
    let regions = filled(vec![luma("a", None, component(36.0, 0.9))], config(Transfer::Linear));
    let [low, high] = light(&regions[0]).snr_temporal_ci_db.expect("an interval");
    // Four means ±0.1 % about their (level) line: variance 0.04/2; t(0.975, 2) = 4.302653 (any table).
    let mean = 20.0 / std::f64::consts::LN_10 * 4.302_652_73 * (0.02_f64 / 4.0).sqrt() / 36.0;
    let snr = 20.0 * 40.0_f64.log10();
    let below = (20.0 * 1.2_f64.log10()).hypot(mean);
    let above = (20.0 * 0.9_f64.log10()).hypot(mean);
    assert!((low - (snr - below)).abs() < 1e-8 && (high - (snr + above)).abs() < 1e-8, "{low} {high}");
    // Correlated frames say less about their mean: a = 0.6 has four times the variance.
    let mut slow = component(36.0, 0.9);
    slow.corr_t = Some(0.6);
    let regions = filled(vec![luma("a", None, slow)], config(Transfer::Linear));
    let [low, _] = light(&regions[0]).snr_temporal_ci_db.expect("an interval");
    assert!((low - (snr - (20.0 * 1.2_f64.log10()).hypot(2.0 * mean))).abs() < 1e-8, "{low}");
    let mut short = component(36.0, 0.9);
    short.frame_means.truncate(2);
    let regions = filled(vec![luma("a", None, short)], config(Transfer::Linear));
    assert_eq!(light(&regions[0]).snr_temporal_ci_db, None, "two means have no scatter about a line");
}

#[test]
fn the_interval_covers_the_truth() {
    // White noise of σ = 1 % at 1.4 %, where level and spread are equally uncertain; 20 × 20 samples, 24 frames.
    const RUNS: u64 = 4000;
    let (pixels, frames) = (400.0, 24.0);
    let nu: f64 = (pixels - 1.0) * (frames - 1.0);
    let mut random = 0_u64;
    let mut uniform = || {
        // SplitMix64.
        random = random.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut bits = random;
        bits = (bits ^ (bits >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        bits = (bits ^ (bits >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (((bits ^ (bits >> 31)) >> 12) as f64 + 0.5) / (1_u64 << 52) as f64
    };
    let truth = 20.0 * 1.4_f64.log10();
    let mut covered = 0;
    for _ in 0..RUNS {
        let variance = chi_squared(uniform(), nu) / nu;
        let means: Vec<f64> = (0..24).map(|_| 1.4 + normal(uniform()) / f64::sqrt(pixels)).collect();
        let mut measured = component(means.iter().sum::<f64>() / frames, variance.sqrt());
        measured.temporal_long_ci = spread_interval(variance, nu, 0.95);
        measured.frame_means = means.iter().map(|mean| CODES * mean).collect();
        let regions = filled(vec![luma("a", None, measured)], config(Transfer::Linear));
        let [low, high] = light(&regions[0]).snr_temporal_ci_db.expect("an interval");
        covered += u64::from(low <= truth && truth <= high);
    }
    // 95 % within four binomial standard errors; t(22) for the half that is the mean's adds up to 0.7 %.
    let share = covered as f64 / RUNS as f64;
    let error = 4.0 * (0.95 * 0.05 / RUNS as f64).sqrt();
    assert!(share > 0.95 - error && share < 0.957 + error, "{share}");
}

#[test]
fn black_and_grey_regions() {
    let regions = filled(
        vec![
            luma("top", None, component(42.0, 0.5)),
            luma("night", Some("black"), component(2.0, 0.5)),
            luma("card", Some("grey"), component(22.0, 0.5)),
            luma("second", Some("grey"), component(12.0, 0.5)),
        ],
        config(Transfer::Linear),
    );
    near(light(&regions[0]).mean, 0.40);
    near(light(&regions[0]).stops_from_grey, 1.0);
    near(light(&regions[3]).stops_from_grey, -1.0);
    near(light(&regions[0]).snr_temporal_db, 20.0 * 80.0_f64.log10());
    near(regions[0].components.get(Channel::Y).expect("Y").drift_stops, 0.3 / 40.0 / 2.0_f64.ln());
    assert!(regions.iter().all(|region| light(region).black == "night"));
    let black = light(&regions[1]);
    near(black.mean, 0.0);
    assert_eq!((black.snr_temporal_db, black.snr_temporal_ci_db, black.snr_lower_db), (None, None, None));
    assert_eq!((black.stops_from_grey, black.stops_from_18), (None, None));
    assert_eq!(regions[1].components.get(Channel::Y).expect("Y").drift_stops, None);
}

#[test]
fn display_light_has_no_grey_card() {
    let regions = filled(vec![luma("a", None, component(50.0, 0.5))], config(Transfer::Gamma(2.0)));
    near(light(&regions[0]).mean, 0.25);
    assert_eq!(light(&regions[0]).domain, "display");
    assert_eq!(light(&regions[0]).stops_from_18, None);
    // light = V²: 2·σ/V of the ratio.
    near(light(&regions[0]).snr_temporal_db, 20.0 * 50.0_f64.log10());
}

#[test]
fn a_mosaic_has_two_greens() {
    let regions = filled(
        vec![region(
            "a",
            None,
            vec![
                (Channel::R, component(90.0, 5.0)),
                (Channel::G1, component(20.0, 0.3)),
                (Channel::G2, component(30.0, 0.4)),
                (Channel::B, component(90.0, 5.0)),
            ],
        )],
        config(Transfer::Linear),
    );
    near(light(&regions[0]).mean, 0.25);
    near(light(&regions[0]).snr_temporal_db, 20.0 * (25.0 / 0.125_f64.sqrt()).log10());
    assert!(light(&regions[0]).snr_temporal_ci_db.is_some());
    assert_eq!(regions[0].chroma_ratio, None);
    for (channel, level) in [(Channel::G1, 20.0), (Channel::G2, 30.0)] {
        let drift = regions[0].components.get(channel).expect("a green").drift_stops;
        near(drift, 0.3 / level / 2.0_f64.ln());
    }
    assert_eq!(regions[0].components.get(Channel::R).expect("R").drift_stops, None);
}

#[test]
fn chroma_beside_luma() {
    let with_chroma = |luma: ComponentRecord| {
        region(
            "a",
            None,
            vec![(Channel::Y, luma), (Channel::Cb, component(0.0, 0.6)), (Channel::Cr, component(0.0, 0.8))],
        )
    };
    let regions = filled(vec![with_chroma(component(40.0, 1.0))], config(Transfer::Linear));
    near(regions[0].chroma_ratio, 0.5_f64.sqrt());
    near(light(&regions[0]).snr_chroma_db, 20.0 * (40.0 / 0.5_f64.sqrt()).log10());
    // Without a long-run spread of all three, the windows' own spreads are compared, and no ratio in light follows.
    let mut denoised = component(40.0, 0.5);
    denoised.temporal_long = None;
    let regions = filled(vec![with_chroma(denoised)], config(Transfer::Linear));
    near(regions[0].chroma_ratio, 2.0_f64.sqrt());
    assert_eq!(light(&regions[0]).snr_temporal_db, None);
    assert_eq!(light(&regions[0]).snr_chroma_db, None);
}

#[test]
fn a_bound_where_the_spread_is_below_half_a_code() {
    let mut coarse = component(40.0, 1.0);
    (coarse.temporal, coarse.temporal_long, coarse.temporal_long_ci) = (None, None, None);
    (coarse.fixed, coarse.total) = (None, None);
    coarse.temporal_upper = Some(0.2);
    let regions = filled(vec![luma("a", None, coarse)], config(Transfer::Linear));
    assert_eq!(light(&regions[0]).snr_temporal_db, None);
    near(light(&regions[0]).snr_lower_db, 20.0 * 200.0_f64.log10());
    assert_eq!((light(&regions[0]).snr_fixed_db, light(&regions[0]).snr_total_db), (None, None));
}

fn codes_of(region: &RegionRecord) -> Vec<NoteCode> {
    region.notes.iter().map(|note| note.code).collect()
}

#[test]
fn notes_on_bends_clipping_and_assumptions() {
    // light = V²: the second-order term is σ/(2V) of the first; 2 % at σ = 0.04·V.
    for (spread, noted) in [(1.9, false), (2.1, true)] {
        let regions = filled(vec![luma("a", None, component(50.0, spread))], config(Transfer::Gamma(2.0)));
        assert_eq!(codes_of(&regions[0]).contains(&NoteCode::LightNonlinear), noted, "{spread}");
    }
    let mut clipped = component(50.0, 0.1);
    clipped.codes = Some(CodesRecord { clipped_low: Some(1e-6), ..CodesRecord::default() });
    let regions = filled(vec![luma("a", None, clipped.clone())], config(Transfer::Linear));
    assert_eq!(codes_of(&regions[0]), [NoteCode::LightNonlinear]);
    let mut derived = component(50.0, 0.1);
    derived.codes = None;
    let colours = vec![(Channel::R, component(50.0, 0.1)), (Channel::B, clipped), (Channel::Y, derived)];
    let regions = filled(vec![region("a", None, colours)], config(Transfer::Linear));
    assert_eq!(codes_of(&regions[0]), [NoteCode::LightNonlinear]);
    let assumed = LightConfig { transfer: Transfer::Bt709, source: TransferSource::Assumed };
    let regions = filled(vec![luma("a", None, component(50.0, 0.1))], assumed);
    assert_eq!(codes_of(&regions[0]), [NoteCode::AssumedTransfer]);
    assert!(regions[0].notes[0].text.contains("bt709"));
    assert_eq!(light(&regions[0]).transfer_source, "assumed");
}

#[test]
fn nothing_is_known_of_an_empty_region() {
    let empty = || luma("a", Some("black"), ComponentRecord::default());
    let regions = filled(vec![empty(), luma("b", None, component(40.0, 1.0))], config(Transfer::Bt709));
    let found = light(&regions[0]);
    assert_eq!((found.mean, found.snr_temporal_db, found.snr_lower_db), (None, None, None));
    assert!(regions[0].notes.is_empty());
    assert_eq!(light(&regions[1]).black, "nominal", "a black region without a level cannot be subtracted");
    let regions = filled(vec![region("c", None, Vec::new())], config(Transfer::Bt709));
    assert_eq!(light(&regions[0]).mean, None);
    assert_eq!(filled(Vec::new(), config(Transfer::Pq)), []);
}
