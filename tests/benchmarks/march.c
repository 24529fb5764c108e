/* The march of sim/integrate by hand in C, for one lane: the same operations, the same book-keeping.
 *
 * Compiled and called by bench_march.py. For a power load, core and surface apart, a box of one
 * node, two pairs, and a film from its table; no limit may be passed (returns 1 if one may be).
 */
#include <math.h>
#include <stddef.h>

enum { PAIRS = 2, LIMITS = 14, SUMS = 15, LAYERS = 2 + 2 * PAIRS };
enum { SOC, CORE, SURFACE, BOX, WALL, V, STATES = V + PAIRS };
#define GAMMA (1.0 - 0.70710678118654752440)
#define AHEAD ((1.0 - GAMMA) / GAMMA)

/* In the order in which sim/physics/beside.py gives them. */
typedef struct {
  double capacity_As, reference_K, tables, coldest_K, columns_per_K, core_J_K, surface_J_K, across;
  double series, parallel, packs, joint_ohm, lead_ohm;
  double area_m2, diameter_m, height_m, standing, emissivity, fixed_W_K, film_tables;
  double air_J_K, wall_J_K, inside_W_K, outside_W_K, other_heat_W;
  double cutoff_V, full_V, reserve_soc, core_max_K, discharge_min_K, charge_max_K, charge_min_K;
  double discharge_A, charge_A, pack_A, coldest_table_K;
} Plant;

typedef struct {
  const double *ocv, *layers, *grid;
  ptrdiff_t points, rows, columns, films, roots;
} Tables;

typedef struct {
  double u0, u1, s0, s1, number, low, high;
  double soc_number, soc_low, soc_high, core_number, core_low, core_high;
  double layer[LAYERS][4];
  double film[16], near_K, per_K, films_per_K, film_number;
} Facets;

typedef struct { double open_V, slope_V_K, source_V, giving_ohm, taking_ohm; } Standing;
typedef struct { double current_A, cell_V, room_W, ohmic_ohm, open_V, slope_V_K; } Look;
typedef struct { double film, r[PAIRS], tau[PAIRS], g[PAIRS], half[PAIRS], left[PAIRS]; } Memory;

static double clamp(double x) { return x < 0.0 ? 0.0 : x > 1.0 ? 1.0 : x; }

static ptrdiff_t interval(double u, ptrdiff_t last) {
  return !(u > 0.0) ? 0 : u >= (double)last ? last - 1 : (ptrdiff_t)u;
}

static void decays(double x, double *half, double *whole) {
  *half = exp(-0.5 * x);
  *whole = *half * *half;
}

static __attribute__((noinline)) void fetch_chord(const Tables *t, Facets *f, double soc) {
  ptrdiff_t last = t->points - 1, i = interval(soc * last, last);
  const double *a = t->ocv + 2 * i;
  f->u0 = a[0], f->u1 = a[2] - a[0], f->s0 = a[1], f->s1 = a[3] - a[1], f->number = i;
  f->low = i == 0 ? -INFINITY : 0.0, f->high = i == last - 1 ? INFINITY : 1.0;
}

static __attribute__((noinline)) void fetch_patch(const Plant *p, const Tables *t, Facets *f,
                                                  double soc, double core_K) {
  ptrdiff_t rows = t->rows - 1, columns = t->columns - 1, i = interval(soc * rows, rows);
  ptrdiff_t j = interval((core_K - p->coldest_K) * p->columns_per_K, columns);
  for (int w = 0; w < LAYERS; w++) {
    const double *a = t->layers + (j * t->rows + i) * LAYERS + w, *b = a + t->rows * LAYERS;
    double along = a[LAYERS] - a[0];
    f->layer[w][0] = a[0], f->layer[w][1] = along, f->layer[w][2] = b[0] - a[0];
    f->layer[w][3] = b[LAYERS] - b[0] - along;
  }
  f->soc_number = i, f->core_number = j;
  f->soc_low = i == 0 ? -INFINITY : 0.0, f->soc_high = i == rows - 1 ? INFINITY : 1.0;
  f->core_low = j == 0 ? -INFINITY : 0.0, f->core_high = j == columns - 1 ? INFINITY : 1.0;
}

static void through_thirds(double *c, const double *a, ptrdiff_t apart) {
  double v0 = a[0], v1 = a[apart], v2 = a[2 * apart], v3 = a[3 * apart];
  c[0] = v0, c[1] = 9.0 * v1 - 4.5 * v2 + v3 - 5.5 * v0;
  c[2] = 9.0 * v0 - 22.5 * v1 + 18.0 * v2 - 4.5 * v3, c[3] = 4.5 * (v3 - v0) + 13.5 * (v1 - v2);
}

static __attribute__((noinline)) void fetch_film(const Plant *p, const Tables *t, Facets *f,
                                                 double difference_K, double film_K) {
  double least = pow(1e-3, 0.25), step = (4.0 - least) / (t->roots - 1), over[4][4];
  ptrdiff_t i = 0, j = (ptrdiff_t)((film_K - 203.0) * 0.1), row = 3 * t->films + 1;
  if (difference_K >= 1e-3) i = 1 + (ptrdiff_t)((sqrt(sqrt(difference_K)) - least) / step);
  for (int n = 0; n < 4; n++) {
    double c[4];
    through_thirds(c, t->grid + 3 * i * row + 3 * j + n, row);
    for (int k = 0; k < 4; k++) over[k][n] = p->area_m2 * c[k];
  }
  for (int k = 0; k < 4; k++) {
    double c[4];
    through_thirds(c, over[k], 1);
    for (int n = 0; n < 4; n++) f->film[4 * n + k] = c[n];
  }
  double near = least + (i - 1) * step, far = near + step;
  f->near_K = i == 0 ? 0.0 : near * near * near * near;
  f->per_K = 1.0 / (far * far * far * far - f->near_K);
  f->films_per_K = 0.1, f->film_number = j;
}

static inline double cubic(const double *c, double u, double square) {
  return (c[0] + u * c[1]) + square * (c[2] + u * c[3]);
}

static inline double film_at(const Plant *p, const Tables *t, Facets *f, double surface_K,
                             double air_K) {
  double difference_K = fabs(surface_K - air_K), film_K = 0.5 * (surface_K + air_K);
  double u = (difference_K - f->near_K) * f->per_K;
  double w = (film_K - 203.0) * f->films_per_K - f->film_number;
  if (!(u >= 0.0 && u < 1.0 && w >= 0.0 && w < 1.0)) {
    fetch_film(p, t, f, difference_K, film_K);
    u = (difference_K - f->near_K) * f->per_K;
    w = (film_K - 203.0) * f->films_per_K - f->film_number;
  }
  double square = u * u, *c = f->film;
  return (cubic(c, u, square) + w * cubic(c + 4, u, square)) +
         w * w * (cubic(c + 8, u, square) + w * cubic(c + 12, u, square));
}

static inline void place_at(const Plant *p, const Tables *t, Facets *f, double soc, double core_K,
                            double *u, double *w) {
  double a = soc * (t->rows - 1.0), b = (core_K - p->coldest_K) * p->columns_per_K;
  double x = a - f->soc_number, y = b - f->core_number;
  if (!(x >= f->soc_low && x < f->soc_high && y >= f->core_low && y < f->core_high)) {
    fetch_patch(p, t, f, soc, core_K);
    x = a - f->soc_number, y = b - f->core_number;
  }
  *u = clamp(x), *w = clamp(y);
}

static inline double layer(const Facets *f, int which, double u, double w) {
  const double *c = f->layer[which];
  return c[0] + u * c[1] + w * (c[2] + u * c[3]);
}

static inline Standing stand(const Plant *p, const Tables *t, Facets *f, double soc, double core_K,
                             double over_V, double u, double w) {
  Standing s;
  double x = soc * (t->points - 1.0) - f->number;
  if (!(x >= f->low && x < f->high)) {
    fetch_chord(t, f, soc);
    x = soc * (t->points - 1.0) - f->number;
  }
  s.slope_V_K = f->s0 + clamp(x) * f->s1;
  s.open_V = f->u0 + x * f->u1 + (core_K - p->reference_K) * s.slope_V_K;
  s.source_V = s.open_V - over_V;
  s.giving_ohm = layer(f, 0, u, w), s.taking_ohm = layer(f, 1, u, w);
  return s;
}

static inline Look look(const Plant *p, double value, const Standing *at) {
  Look s = {.open_V = at->open_V, .slope_V_K = at->slope_V_K};
  double source_V = at->source_V;
  s.ohmic_ohm = value >= 0.0 ? at->giving_ohm : at->taking_ohm;
  double path = s.ohmic_ohm + (p->joint_ohm + p->lead_ohm * p->parallel / p->series);
  double d = source_V * source_V - 4.0 * path * value;
  s.current_A = 2.0 * value / (source_V + sqrt(d < 0.0 ? 0.0 : d));
  s.room_W = value > 0.0 ? d / (4.0 * path) : INFINITY;
  s.cell_V = source_V - s.current_A * s.ohmic_ohm;
  return s;
}

static inline void margins(const Plant *p, double soc, double core_K, const Look *s, double *m) {
  int gives = s->current_A > 0.0, takes = s->current_A < 0.0;
  m[0] = s->cell_V - p->cutoff_V, m[1] = 100.0 * soc, m[2] = 100.0 * (soc - p->reserve_soc);
  m[3] = p->core_max_K - core_K;
  m[4] = gives ? core_K - p->discharge_min_K : INFINITY;
  m[5] = takes ? p->charge_max_K - core_K : INFINITY;
  m[6] = takes ? core_K - p->charge_min_K : INFINITY;
  m[7] = takes ? p->full_V - s->cell_V : INFINITY;
  m[8] = gives ? p->discharge_A - s->current_A : INFINITY;
  m[9] = takes ? p->charge_A + s->current_A : INFINITY;
  m[10] = p->pack_A - fabs(s->current_A) * p->parallel;
  m[11] = s->room_W * (p->series * p->parallel * p->packs);
  m[12] = gives || takes ? core_K - p->coldest_table_K : INFINITY;
  m[13] = 423.15 - core_K;
}

static inline void lowest(const double *m, double time_s, double *worst, double *worst_s) {
  for (int k = 0; k < LIMITS; k++) {
    int worse = !(m[k] >= worst[k]);
    worst[k] = worse ? m[k] : worst[k];
    worst_s[k] = worse ? time_s : worst_s[k];
  }
}

/* Returns 0, or 1 where a limit may be passed. `state` (STATES) and `sums` are taken on. */
int march(const Plant *given, const Tables *t, ptrdiff_t legs, const double *start_s,
          const double *end_s, const double *value, const double *ambient, const double *ambient_s,
          const double *sun, const double *sun_s, double *state, double *sums, double *worst,
          double *worst_s) {
  Plant plant = *given, *p = &plant;
  Facets facets = {0}, *f = &facets;
  facets.low = facets.soc_low = INFINITY, facets.film_number = 1.0;
  double y[STATES], total[SUMS], low[LIMITS], low_s[LIMITS], u, w;
  for (int k = 0; k < STATES; k++) y[k] = state[k];
  for (int k = 0; k < SUMS; k++) total[k] = sums[k];
  for (int k = 0; k < LIMITS; k++) low[k] = INFINITY, low_s[k] = 0.0;
  Memory m;
  double n = p->series * p->parallel * p->packs, lead = p->lead_ohm * p->parallel / p->series;
  place_at(p, t, f, y[SOC], y[CORE], &u, &w);
  m.film = film_at(p, t, f, y[SURFACE], y[BOX]);
  for (int k = 0; k < PAIRS; k++) {
    m.r[k] = layer(f, 2 + 2 * k, u, w), m.tau[k] = layer(f, 3 + 2 * k, u, w), m.g[k] = 1.0 / m.r[k];
  }
  Standing standing = stand(p, t, f, y[SOC], y[CORE], y[V] + y[V + 1], u, w);
  double walked_s = 0.0, h = 0.0, half_share = 0.0, core_half = 0.0, core_r = 0.0, share = 0.0, surface_0 = 0.0;
  double air_0 = 0.0, core_a = 0.0, surface_a = 0.0, air_a = 0.0;
  ptrdiff_t count = 1;
  for (ptrdiff_t i = 0; i < legs; i++) {
    double power = value[i] / n, earlier[LIMITS], before[LIMITS], middle[LIMITS], after[LIMITS];
    Look s = look(p, power, &standing);
    margins(p, y[SOC], y[CORE], &s, before);
    lowest(before, start_s[i], low, low_s);
    int jumped = 0;
    for (int k = 0; k < LIMITS; k++) jumped |= before[k] < 0.0, earlier[k] = -INFINITY;
    if (jumped) return 1;
    double length_s = end_s[i] - start_s[i];
    if (length_s != walked_s) {
      walked_s = length_s;
      ptrdiff_t pieces = length_s > 60.0 ? (ptrdiff_t)ceil(length_s / 60.0 - 1e-9) : 1;
      ptrdiff_t inner = length_s / pieces > 1.0 ? (ptrdiff_t)ceil(length_s / pieces - 1e-9) : 1;
      count = pieces * inner;
      h = length_s / count;
      double half_s = 0.5 * h, a = 1.0 / (GAMMA * h);
      half_share = half_s / p->capacity_As;
      core_a = a * p->core_J_K, surface_a = a * p->surface_J_K, air_a = a * p->air_J_K;
      core_r = 1.0 / (core_a + p->across), share = p->across * core_r;
      core_half = half_s / (p->core_J_K + 0.5 * half_s * p->across);
      surface_0 = surface_a + p->across * (1.0 - share), air_0 = air_a + p->outside_W_K;
      for (int k = 0; k < PAIRS; k++) decays(h / m.tau[k], &m.half[k], &m.left[k]);
    }
    double time_s = start_s[i];
    for (ptrdiff_t c = 1; c <= count; c++) {
      double then_s = c == count ? end_s[i] : start_s[i] + c * h, half_s = 0.5 * h;
      /* half a step ahead */
      double past_s = time_s + half_s - start_s[i];
      double amb = ambient[i] + ambient_s[i] * past_s, sunny = sun[i] + sun_s[i] * past_s;
      double I = s.current_A, q = I * (I * s.ohmic_ohm - y[CORE] * s.slope_V_K), over = 0.0;
      for (int k = 0; k < PAIRS; k++) {
        double goal = I * m.r[k], v = y[V + k];
        over += goal + (v - goal) * m.half[k], q += v * v * m.g[k];
      }
      double across_W = p->across * (y[CORE] - y[SURFACE]), g = m.film;
      double to_air_W = g * (y[SURFACE] - y[BOX]);
      double surface_W = I * I * p->joint_ohm + across_W - to_air_W;
      double air_W = n * to_air_W + p->other_heat_W + sunny - p->outside_W_K * (y[BOX] - amb);
      double soc_m = y[SOC] - I * half_share, core_K = (q - across_W) * core_half;
      double core_m = y[CORE] + core_K;
      surface_W += 0.5 * p->across * core_K;
      double surface_K = surface_W * (half_s / (p->surface_J_K + 0.5 * half_s * (p->across + g)));
      double surface_m = y[SURFACE] + surface_K;
      air_W += 0.5 * (n * g) * surface_K;
      double air_m =
          y[BOX] + air_W * (half_s / (p->air_J_K + 0.5 * half_s * (n * g + p->outside_W_K)));
      /* coefficients of the middle */
      Memory now;
      place_at(p, t, f, soc_m, core_m, &u, &w);
      g = now.film = film_at(p, t, f, surface_m, air_m);
      for (int k = 0; k < PAIRS; k++) {
        now.r[k] = layer(f, 2 + 2 * k, u, w), now.tau[k] = layer(f, 3 + 2 * k, u, w);
        now.g[k] = 1.0 / now.r[k], now.half[k] = m.half[k], now.left[k] = m.left[k];
        if (now.tau[k] != m.tau[k]) decays(h / now.tau[k], &now.half[k], &now.left[k]);
      }
      Standing midway = stand(p, t, f, soc_m, core_m, over, u, w);
      Look at = look(p, power, &midway);
      /* pairs */
      double next[STATES], pair_J = 0.0, stored_J = 0.0, v_Vs = 0.0;
      I = at.current_A;
      for (int k = 0; k < PAIRS; k++) {
        double left = now.left[k], goal = I * now.r[k], off = y[V + k] - goal;
        next[V + k] = goal + off * left;
        double gone = now.tau[k] * (1.0 - left), one = goal * h + off * gone;
        double square = goal * (one + off * gone) + 0.5 * off * off * gone * (1.0 + left);
        double heat = square * now.g[k];
        pair_J += heat, stored_J += I * one - heat, v_Vs += one;
      }
      next[SOC] = y[SOC] - 2.0 * I * half_share;
      /* temperatures */
      double reversible_W = -I * core_m * at.slope_V_K;
      double core_W = I * I * at.ohmic_ohm + reversible_W + pair_J * (1.0 / h);
      double surface_r = 1.0 / (surface_0 + g);
      double air_r = 1.0 / (air_0 + n * g * (1.0 - g * surface_r));
      to_air_W = g * (y[SURFACE] - y[BOX]);
      double b0 = core_W - across_W, b1 = I * I * p->joint_ohm + across_W - to_air_W;
      double b2 = n * to_air_W + p->other_heat_W + sunny - p->outside_W_K * (y[BOX] - amb);
      double drift_W = (p->outside_W_K * ambient_s[i] + sun_s[i]) * h; /* of the weather */
      b2 += (GAMMA - 0.5) * drift_W;
      double d0[2], d1[2], d2[2];
      for (int stage = 0; stage < 2; stage++) {
        double e1 = b1 + share * b0, e2 = b2 + n * (g * surface_r) * e1;
        d2[stage] = e2 * air_r;
        d1[stage] = (e1 + g * d2[stage]) * surface_r;
        d0[stage] = (b0 + p->across * d1[stage]) * core_r;
        b0 += AHEAD * (core_a * d0[0] - b0), b1 += AHEAD * (surface_a * d1[0] - b1);
        b2 += AHEAD * (air_a * d2[0] - b2) + (1.0 - GAMMA) * drift_W;
      }
      d1[1] += AHEAD * d1[0], d2[1] += AHEAD * d2[0];
      next[CORE] = y[CORE] + (AHEAD * d0[0] + d0[1]);
      next[SURFACE] = y[SURFACE] + d1[1], next[BOX] = y[BOX] + d2[1], next[WALL] = y[WALL];
      double mean = y[SURFACE] + ((1.0 - GAMMA) * d1[0] + GAMMA * d1[1]);
      double mean_air = y[BOX] + ((1.0 - GAMMA) * d2[0] + GAMMA * d2[1]);
      /* the books */
      double charge = I * h, ohmic_J = I * charge * at.ohmic_ohm, joint_J = I * charge * p->joint_ohm;
      double lead_J = I * charge * lead, cell_J = I * (at.open_V * h - v_Vs) - ohmic_J;
      double delivered_J = cell_J - joint_J - lead_J;
      double gains[SUMS] = {charge, charge * at.open_V + reversible_W * h, cell_J, delivered_J,
                            ohmic_J, pair_J, stored_J, reversible_W * h, joint_J, lead_J,
                            g * (mean - mean_air) * h,
                            at.room_W < 0.0 ? power * h - delivered_J : 0.0, sunny * h,
                            p->other_heat_W * h, p->outside_W_K * (mean_air - amb) * h};
      place_at(p, t, f, next[SOC], next[CORE], &u, &w);
      standing = stand(p, t, f, next[SOC], next[CORE], next[V] + next[V + 1], u, w);
      Look end = look(p, power, &standing);
      margins(p, soc_m, core_m, &at, middle);
      margins(p, next[SOC], next[CORE], &end, after);
      int unclear = 0;
      for (int k = 0; k < LIMITS; k++) {
        double least = middle[k] < before[k] ? middle[k] : before[k];
        least = after[k] < least ? after[k] : least;
        unclear |= (before[k] < 0.0) ^ (after[k] < 0.0);
        unclear |= (before[k] >= 0.0) & ((least < earlier[k] - before[k]) |
                                         (least < fabs(middle[k] - before[k])) |
                                         (least < fabs(after[k] - middle[k])));
      }
      if (unclear) return 1;
      lowest(after, then_s, low, low_s);
      for (int k = 0; k < STATES; k++) y[k] = next[k];
      for (int k = 0; k < SUMS; k++) total[k] += gains[k];
      for (int k = 0; k < LIMITS; k++) earlier[k] = middle[k], before[k] = after[k];
      m = now, s = end, time_s = then_s;
    }
  }
  for (int k = 0; k < STATES; k++) state[k] = y[k];
  for (int k = 0; k < SUMS; k++) sums[k] = total[k];
  for (int k = 0; k < LIMITS; k++) worst[k] = low[k], worst_s[k] = low_s[k];
  return 0;
}
