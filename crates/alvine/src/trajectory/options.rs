//! What a caller may choose about a trajectory.

use super::motion::MotionPrior;

/// A quantity that wanders about zero and forgets: an Ornstein–Uhlenbeck process.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wander {
    /// Standard deviation in the long run, dB.
    pub spread_db: f64,
    /// Over what it forgets: the distance or time in which correlation falls to 1/e, mm or s as the owner says.
    pub memory: f64,
}

/// How a trajectory is estimated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrajectoryOptions {
    /// Time between knots, s.
    pub knot_s: f64,
    /// How the capsule moves.
    pub motion: MotionPrior,
    /// Degrees of freedom of Student's t for its moves: small ones admit a leap now and then. `None` for the Gaussian.
    pub motion_freedom: Option<f64>,
    /// The common level's slow part: transmit power other than stated, a sagging battery; forgets over `memory` s.
    pub slow_level: Wander,
    /// The common level's fast part: a turning capsule; forgets over `memory` s.
    pub fast_level: Wander,
    /// Half of the time over which a path is averaged before its length counts as distance moved, s: a site hears the same of it
    /// again and again where one goes to and fro about a place.
    pub averaged_s: f64,
    /// However still one lies, from knot to knot a bias forgets as by so far a move, mm: breath and pulse move organs, and it
    /// never freezes.
    pub stir_mm: f64,
    /// Distance moved over which a site's shadowing is forgotten, mm; its spread is the study's own.
    pub shadowing_memory_mm: f64,
    /// What a site's gain and place add to its shadowing, dB.
    pub mounting_db: f64,
    /// What a block's mean errs by however many readings it holds, as a share of the spread of shadowing: the law is wrong, and
    /// shadowing changes, at scales that neither path nor bias follows.
    pub unmodelled_share: f64,
    /// Degrees of freedom of Student's t for the misfit of a block's mean. `None` for the Gaussian.
    pub reading_freedom: Option<f64>,
    /// Degrees of freedom of Student's t for the change of a site's bias, so that one that works loose may drop at once.
    /// `None` for the Gaussian.
    pub bias_freedom: Option<f64>,
    /// Whether the search starts where a filter over cells of the torso puts the capsule; otherwise in the middle of the torso, for
    /// seeing what that is worth.
    pub global_start: bool,
    /// Instants further than this from any knot get no point, s.
    pub longest_bridge_s: f64,
    /// The share of what one lone block would leave unknown that is never averaged away, 0 to 1: wherever the capsule is,
    /// the shadowing there is the same each time, and the law is wrong in the same way all along.
    pub lasting_share: f64,
    /// How often what readings tell is averaged anew over where the states may be; without, the track is the single most likely
    /// path, which lies nearer to the sites than the truth where levels wander freely and biases last. Where the model holds, a few
    /// make error and covariance those of the bound; on simulated studies, whose shadowing no model here describes, they change
    /// nothing and cost as much again as a descent.
    pub blurs: usize,
    /// Most rounds of refining.
    pub most_rounds: usize,
    /// Whether refining ends only by a step that damping hardly shortened. Otherwise it ends sooner, and may end short of the
    /// least where a direction is flat over the whole recording, as is a common shift of all places against biases that last.
    pub settle_undamped: bool,
}

impl Default for TrajectoryOptions {
    /// Common practice, no source: chosen on simulated studies with 4 and 7.85 dB of shadowing, for error and for the share of
    /// instants whose ellipsoid holds the truth.
    fn default() -> Self {
        Self {
            knot_s: 8.0,
            motion: MotionPrior::MeanReverting {
                speed_mm_per_s: 1.0,
                memory_s: 20.0,
            },
            motion_freedom: Some(4.0),
            slow_level: Wander {
                spread_db: 0.5,
                memory: 20_000.0,
            },
            fast_level: Wander {
                spread_db: 0.5,
                memory: 90.0,
            },
            averaged_s: 60.0,
            stir_mm: 0.05,
            shadowing_memory_mm: 5.0,
            mounting_db: 2.0,
            unmodelled_share: 0.5,
            reading_freedom: Some(4.0),
            bias_freedom: None,
            global_start: true,
            longest_bridge_s: 60.0,
            lasting_share: 0.4,
            blurs: 0,
            most_rounds: 40,
            settle_undamped: false,
        }
    }
}
