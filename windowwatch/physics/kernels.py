"""All compiled loops: weather columns onto fixed heights, and flights through them.

This file imports nothing of ours and takes every constant as an argument, because the
compiler's cache on disk does not see edits in other files. The faces that check inputs
are `windgrid.build_wind_grid` and `flights.fly`.
A flight is integrated over *height*, not over time: height always moves one way, and each
step ends on a height of the grid, where the vertical interpolation has its kinks. One step
costs one look at the air (four columns, two times, the two heights that bound the layer).
"""

import math
from collections import namedtuple
from typing import Any

import numpy as np
from numba import njit

# how a flight ended; the same numbers as `flights.FlightStatus`
LANDED, LEFT_GRID, LEFT_TIME, MISSING_AIR, NOT_RISING, TOO_LONG, NEAR_POLE = range(7)

# rows of the result, one column a flight
(
    STATUS, LATITUDE, LONGITUDE, HEIGHT, TIME, SINK, WIND, BURST_LATITUDE, BURST_LONGITUDE,
    BURST_HEIGHT, BURST_TIME, STRONGEST, COLDEST, EXTRAPOLATED, RESULTS,
) = range(15)  # fmt: skip
PATH = 9  # columns of a path: see `_note`

# what differs from flight to flight about the train, natural logarithms in SI units: gravity
# at sea level; 8 F / (π f), free lift F [kg], drag factor f; diameter · ρ^(1/3); rise · ρ^(1/6)
# / g^(1/2) at constant drag; ρ at burst; sink · (ρ / g)^(1/2) with the canopy open, and before;
# measured ascent rate that overrides the fill, NaN for none. Last, from burst to open [s]
(
    LOG_GRAVITY, LOG_DRIVE, LOG_SIZE, LOG_RISE, LOG_BURST, LOG_FALL, LOG_TUMBLE, LOG_FIXED,
    OPENING_DELAY, BODY,
) = range(10)  # fmt: skip

# axes of the air and what follows from them; `per_m` is one over each layer's thickness; from
# `first_s` to `last_s` the forecast has anything, if not of this air
Grid = namedtuple(
    "Grid", "time_s first_s last_s height_m per_m south_deg rows_per_deg latitudes west_deg "
    "columns_per_deg longitudes round_the_world terrain_m highest_ground_m top_height_m",
)  # fmt: skip
# physical constants and settings that are the same for every flight
Constants = namedtuple(
    "Constants", "earth_a_m earth_e2 pole_deg slowest_mps step_s longest_s table_k per_k warmth "
    "drag_first drag_per_step drag_log_reynolds",
)  # fmt: skip

# Arrays are only lent to kernels. Counting references to them at every step, which numba does
# unless its runtime (`_nrt`) is left out, costs three times the arithmetic, and threads fight
# over the counts. Without the runtime a kernel cannot make arrays: hence `scratch`.
_QUICK: dict[str, Any] = {"error_model": "numpy", "fastmath": {"contract"}, "_nrt": False}
jit = njit(cache=True, nogil=True, **_QUICK)
part = njit(cache=True, nogil=True, forceinline=True, **_QUICK)  # a call would cost as much


@part
def _cell(grid, latitude, longitude):
    """Row, column and share of the grid cell round a place; row -1 if it is off the grid."""
    y = (latitude - grid.south_deg) * grid.rows_per_deg
    x = (longitude - grid.west_deg) * grid.columns_per_deg
    edge = grid.longitudes - 1
    if grid.round_the_world:
        x %= grid.longitudes
        edge += 1  # the last cell joins east to west
    if not (0.0 <= y <= grid.latitudes - 1 and 0.0 <= x <= edge):
        return -1, 0, 0, 0.0, 0.0
    iy, ix = min(int(y), grid.latitudes - 2), min(int(x), edge - 1)
    return iy, ix, (ix + 1 if ix + 1 < grid.longitudes else 0), y - iy, x - ix


@part
def _column(air, grid, place, layer, start_index, column):
    """Air over one place and time at the two heights of a layer: status and time index."""
    iy, ix, east, fy, fx = _cell(grid, place[0], place[1])
    time_s, last = place[2], grid.time_s.size - 1
    if iy < 0:
        return LEFT_GRID, start_index
    if not grid.first_s <= time_s <= grid.last_s:
        return LEFT_TIME, start_index
    if not grid.time_s[0] <= time_s <= grid.time_s[last]:
        return MISSING_AIR, start_index
    index = start_index
    while index < last - 1 and time_s >= grid.time_s[index + 1]:
        index += 1
    later, start = min(index + 1, last), grid.time_s[index]
    ft = (time_s - start) / (grid.time_s[later] - start) if later > index else 0.0
    # unsigned, or the compiler would check each for counting from the end
    cell = np.uint64(grid.height_m.size * 4)
    row, level = np.uint64(grid.longitudes) * cell, np.uint64(layer * 4)
    early = np.uint64(index * grid.latitudes + iy) * row + level
    late = np.uint64(later * grid.latitudes + iy) * row + level
    near, far = np.uint64(ix) * cell, np.uint64(east) * cell
    w00, w01 = (1.0 - fy) * (1.0 - fx), (1.0 - fy) * fx
    w10, w11 = fy * (1.0 - fx), fy * fx
    for j in range(8):
        a, b = early + np.uint64(j), late + np.uint64(j)
        before = w00 * air[a + near] + w01 * air[a + far]
        before += w10 * air[a + row + near] + w11 * air[a + row + far]
        after = w00 * air[b + near] + w01 * air[b + far]
        after += w10 * air[b + row + near] + w11 * air[b + row + far]
        column[j] = before + ft * (after - before)
    return LANDED, index


@part
def _ground(grid, latitude, longitude):
    """Height of the model terrain, bilinear; NaN off the grid. [m]"""
    iy, ix, east, fy, fx = _cell(grid, latitude, longitude)
    if iy < 0:
        return math.nan
    south = (1.0 - fx) * grid.terrain_m[iy, ix] + fx * grid.terrain_m[iy, east]
    north = (1.0 - fx) * grid.terrain_m[iy + 1, ix] + fx * grid.terrain_m[iy + 1, east]
    return (1.0 - fy) * south + fy * north


@part
def _warmth(temperature, c):
    """Logarithms of gas constant times temperature and of viscosity, from their table."""
    spot = min(max((temperature - c.table_k) * c.per_k, 0.0), c.warmth.shape[0] - 1.000001)
    i = int(spot)
    a, row, above = spot - i, c.warmth[i], c.warmth[i + 1]
    return row[0] + a * (above[0] - row[0]), row[1] + a * (above[1] - row[1])


@part
def _log_speed(rising, body, c, log_density, log_viscosity, log_gravity):
    """Logarithm of the steady ascent or descent rate in still air. [ln m s⁻¹]"""
    if not rising:
        return body[LOG_FALL] + 0.5 * (log_gravity - log_density)
    if math.isfinite(body[LOG_FIXED]):
        return body[LOG_FIXED]
    table = c.drag_log_reynolds
    if table.size < 2:
        return body[LOG_RISE] + 0.5 * log_gravity - log_density / 6.0
    # drag equals lift where Cd·Re² has a known value: read Re from it without iteration
    spot = body[LOG_DRIVE] + log_gravity + log_density - 2.0 * log_viscosity - c.drag_first
    spot = min(max(spot * c.drag_per_step, 0.0), table.size - 1.000001)
    i = int(spot)
    log_reynolds = table[i] + (spot - i) * (table[i + 1] - table[i])
    return log_reynolds + log_viscosity - log_density - body[LOG_SIZE] + log_density / 3.0


@part
def _along(old, slope0, slope, step, a):
    """Place and time a share `a` along a step whose slope changes evenly."""
    b = 0.5 * a * a
    return (
        old[0] + step * (a * slope0[0] + b * (slope[0] - slope0[0])),
        old[1] + step * (a * slope0[1] + b * (slope[1] - slope0[1])),
        old[2] + step * (a * slope0[2] + b * (slope[2] - slope0[2])),
    )


@jit
def _touch_down(grid, z0, step, old, slope0, slope):
    """Share of a falling step after which the ground is met, to a few centimetres."""
    low, high = 0.0, 1.0
    for _ in range(14):
        a = 0.5 * (low + high)
        place = _along(old, slope0, slope, step, a)
        above = z0 - a * step > _ground(grid, place[0], place[1])
        low, high = (a, high) if above else (low, a)
    return high


@jit
def _note(tally, path, rising, place, z, wind, temperature, log_density, grid):
    """Keep the extremes of a flight, and its path if it is wanted."""
    wind2 = wind[0] * wind[0] + wind[1] * wind[1]
    tally[0] = max(tally[0], wind2)
    tally[1] = min(tally[1], temperature)
    tally[2] = max(tally[2], 1.0 if z > grid.top_height_m else 0.0)
    row = int(tally[3])
    if row < path.shape[0]:
        path[row, 0], path[row, 1], path[row, 2] = place[2], place[0], place[1]
        path[row, 3], path[row, 4], path[row, 5], path[row, 6] = z, rising, wind[0], wind[1]
        path[row, 7], path[row, 8] = temperature, log_density
        tally[3] += 1.0


@part
def _look(guess, z, layer, index, air, grid, error, column):
    """Air at a place, height and time, how the wind changes with height, and the rise's error."""
    nothing = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    status, index = _column(air, grid, guess, layer, index, column)
    if status != LANDED:
        return status, index, nothing
    per_m = grid.per_m[layer]
    a = min(max((z - grid.height_m[layer]) * per_m, 0.0), 1.0)
    u, v = column[0], column[1]
    du, dv, log_rise = column[4] - u, column[5] - v, 0.0
    if error.shape[0] > 0:  # the draw's errors of wind and rise
        u, v = u + error[layer, 0], v + error[layer, 1]
        du += error[layer + 1, 0] - error[layer, 0]
        dv += error[layer + 1, 1] - error[layer, 1]
        log_rise = error[layer, 2] + a * (error[layer + 1, 2] - error[layer, 2])
    u, v = u + a * du, v + a * dv
    temperature = column[2] + a * (column[6] - column[2])
    log_pressure = column[3] + a * (column[7] - column[3])
    if not (math.isfinite(u + v + log_pressure) and 100.0 < temperature < 400.0):
        return MISSING_AIR, index, nothing
    return LANDED, index, (u, v, du * per_m, dv * per_m, temperature, log_pressure, log_rise)


@part
def _degrees(latitude, z, c):
    """Degrees of latitude and longitude that one metre northward and eastward covers.

    From the ellipsoid's radii of curvature plus the height: 0.5 % fewer at 30 km.
    """
    cosine = math.cos(math.radians(latitude))
    flat = c.earth_e2 * (1.0 - cosine * cosine)
    # one over the root of 1 - flat, as a series: off by 6e-10 at most
    across = c.earth_a_m * (1.0 + flat * (0.5 + flat * (0.375 + 0.3125 * flat)))
    along = across * (1.0 - c.earth_e2) + z * (1.0 - flat)  # times 1 - flat
    around = (across + z) * cosine
    share = math.degrees(1.0) / (along * around)
    return share * (1.0 - flat) * around, share * along


@part
def _next_height(rising, z, layer, pace, grid, c):
    """End of the next step: the layer's edge, or less where that takes too long."""
    edge = grid.height_m[layer + 1] if rising else grid.height_m[layer]
    time_s = abs(edge - z) * pace
    if time_s <= c.step_s * 1.000001:
        return edge
    return z + (edge - z) / math.ceil(time_s / c.step_s - 1e-6)


@part
def _met(rising, fresh, z, z0, place, old, slopes, logs, body, grid):
    """Share of the last step at which the leg ended; negative if it did not, NaN if unknown."""
    if rising and logs[1] > body[LOG_BURST]:
        return -1.0
    if rising:
        return 0.0 if fresh else (logs[0] - body[LOG_BURST]) / (logs[0] - logs[1])
    ground = grid.highest_ground_m
    if z <= ground:
        ground = _ground(grid, place[0], place[1])
    if z > ground:
        return -1.0
    if not math.isfinite(ground):
        return math.nan
    return 0.0 if fresh else _touch_down(grid, z0, abs(z - z0), old, slopes[0], slopes[1])


@jit
def _first_layer(rising, z, heights):
    """Layer in which a leg begins."""
    layer, top = 0, heights.size - 2
    while layer < top and (z > heights[layer + 1] or (rising and z == heights[layer + 1])):
        layer += 1
    return layer


@jit
def _leg(rising, place, z, deadline_s, air, grid, body, error, c, tally, column, path):
    """Fly up to the burst or down to the ground by Heun's rule over height.

    The slope that ends one step begins the next, so each step looks at the air once.
    Returns status, place, height, speed and wind at the end.
    """
    # a plain 0 would be a type of its own, and all that looks at the air be compiled twice
    layer, index, fresh = _first_layer(rising, z, grid.height_m), np.int64(0), True
    z0, old, guess = z, place, place
    old_slope, old_air = (0.0, 0.0, 0.0), (0.0, 0.0, 0.0, 0.0)
    while True:
        if not abs(guess[0]) <= c.pole_deg:
            return NEAR_POLE, place, z, 0.0, (0.0, 0.0)
        status, index, seen = _look(guess, z, layer, index, air, grid, error, column)
        if status != LANDED:
            return status, place, z, 0.0, (0.0, 0.0)
        u, v, u_per_m, v_per_m, temperature, log_pressure, log_rise = seen
        log_rt, log_viscosity = _warmth(temperature, c)
        log_density, log_gravity = log_pressure - log_rt, _log_gravity(body, z, c)
        log_speed = _log_speed(rising, body, c, log_density, log_viscosity, log_gravity)
        pace = math.exp(-log_speed - log_rise if rising else -log_speed)
        if not pace * c.slowest_mps < 1.0:
            return NOT_RISING, place, z, 0.0, (0.0, 0.0)
        north, east = _degrees(guess[0], z, c)
        north, east = north * pace, east * pace
        slope = (v * north, u * east, pace)
        if fresh:
            old_slope, old_air = slope, (u, v, temperature, log_density)
        step = abs(z - z0)
        place = _along(old, old_slope, slope, step, 1.0)
        if place[2] > deadline_s:
            return TOO_LONG, place, z, 0.0, (0.0, 0.0)
        slopes, logs = (old_slope, slope), (old_air[3], log_density)
        met = _met(rising, fresh, z, z0, place, old, slopes, logs, body, grid)
        if not met < 0.0:
            place, z = _along(old, old_slope, slope, step, met), z0 + met * (z - z0)
            wind = (old_air[0] + met * (u - old_air[0]), old_air[1] + met * (v - old_air[1]))
            temperature = old_air[2] + met * (temperature - old_air[2])
            log_density = old_air[3] + met * (log_density - old_air[3])
            _note(tally, path, rising, place, z, wind, temperature, log_density, grid)
            speed = 1.0 / (old_slope[2] + met * (pace - old_slope[2]))
            ended = NOT_RISING if rising and fresh else LANDED
            return (ended if math.isfinite(z) else MISSING_AIR), place, z, speed, wind
        _note(tally, path, rising, place, z, (u, v), temperature, log_density, grid)
        old, old_slope, old_air, z0 = place, slope, (u, v, temperature, log_density), z
        z, fresh = _next_height(rising, z, layer, pace, grid, c), False
        if z == z0:  # out of the grid's heights
            return MISSING_AIR, place, z, 0.0, (0.0, 0.0)
        rise = z - z0
        ahead = ((v + rise * v_per_m) * north, (u + rise * u_per_m) * east, pace)
        guess = _along(place, slope, ahead, abs(rise), 1.0)
        if rising:
            layer = min(layer + (z >= grid.height_m[layer + 1]), grid.height_m.size - 2)
        else:
            layer = max(layer - (z <= grid.height_m[layer]), 0)


@part
def _log_gravity(body, z, c):
    """Logarithm of gravity at a height: the inverse square, to second order."""
    lift = z / c.earth_a_m
    return body[LOG_GRAVITY] - lift * (2.0 - lift)


@jit
def _tumble(place, z, wind, body, c):
    """Fall from rest before the canopy opens, in air of the density at burst."""
    delay = body[OPENING_DELAY]
    g = math.exp(_log_gravity(body, z, c))
    terminal = math.exp(body[LOG_TUMBLE] - 0.5 * body[LOG_BURST]) * math.sqrt(g)
    fallen = terminal * terminal / g * math.log(math.cosh(g * delay / terminal))
    north, east = _degrees(place[0], z, c)
    north, east = north * wind[1] * delay, east * wind[0] * delay
    return (place[0] + north, place[1] + east, place[2] + delay), max(z - fallen, 0.0)


@jit
def _fly_one(start, air, grid, body, error, c, tally, column, path, out, i):
    """One flight from release to landing, written to column `i` of `out`."""
    place, z, deadline_s = (start[0], start[1], start[3]), start[2], start[3] + c.longest_s
    tally[0], tally[1], tally[2], tally[3] = 0.0, math.inf, 0.0, 0.0
    out[:, i] = math.nan
    status, speed, wind = NOT_RISING, 0.0, (0.0, 0.0)
    if start[4] > 0.5:  # taken up in the air after its burst
        status = LANDED
    elif math.isfinite(body[LOG_DRIVE]):  # else there is no free lift
        status, place, z, speed, wind = _leg(
            True, place, z, deadline_s, air, grid, body, error, c, tally, column, path
        )
    if status == LANDED:
        out[BURST_LATITUDE, i], out[BURST_LONGITUDE, i] = place[0], place[1]
        out[BURST_HEIGHT, i], out[BURST_TIME, i] = z, place[2]
        if body[OPENING_DELAY] > 0.0 and not start[4] > 0.5:
            place, z = _tumble(place, z, wind, body, c)
        status, place, z, speed, wind = _leg(
            False, place, z, deadline_s, air, grid, body, error, c, tally, column, path
        )
    out[STATUS, i], out[EXTRAPOLATED, i] = status, tally[2]
    if status == LANDED:
        out[LATITUDE, i], out[LONGITUDE, i], out[HEIGHT, i] = place[0], place[1], z
        out[TIME, i], out[SINK, i] = place[2], speed
        out[WIND, i] = math.sqrt(wind[0] * wind[0] + wind[1] * wind[1])
        out[STRONGEST, i], out[COLDEST, i] = math.sqrt(tally[0]), tally[1]


@jit
def fly_many(
    launches, first, last, air, place, members, grid, bodies, errors, c, paths, rows, scratch, out
):
    """Fly launches `first` to `last` with some members and every draw.

    float64 `launches` [N, 5]: latitude, longitude from the grid's west on, height, time, and above
    one half where it has burst already; float32 `air` [m, T * Y * X * H * 4] of m members, the
    first of which is number `place` of M `members` in the results; float64 `bodies` [N, D, BODY];
    float32 `errors`
    [last - first, D, H, 3] of wind and of the logarithm of the rise, H may be 0; float64 `paths`
    [P, S, 9], room for P paths of S steps, used in turn from the first, and int64 `rows` [P] for
    how many steps each has; S may be 0, P may not; float64 `scratch` [12]; float64 `out`
    [RESULTS, N * M * D].
    """
    draws, room = bodies.shape[1], paths.shape[0]
    column, tally = scratch[:8], scratch[8:]
    for n in range(first, last):
        for m in range(air.shape[0]):
            for d in range(draws):
                i = (n * members + place + m) * draws + d
                turn = (((n - first) * air.shape[0] + m) * draws + d) % room
                error, body, path = errors[n - first, d], bodies[n, d], paths[turn]
                _fly_one(launches[n], air[m], grid, body, error, c, tally, column, path, out, i)
                rows[turn] = int(tally[3])


@jit
def _fill(heights, node_m, first, second, out, slot):
    """Two quantities of one column, linear between nodes and held beyond the ends."""
    i, last = 0, node_m.size - 1
    for k in range(heights.size):
        h = max(heights[k], node_m[0])
        while i < last and node_m[i + 1] <= h:
            i += 1
        above = min(i + 1, last)
        a = (h - node_m[i]) / (node_m[above] - node_m[i]) if above > i else 0.0
        out[k, slot] = first[i] + a * (first[above] - first[i])
        out[k, slot + 1] = second[i] + a * (second[above] - second[i])


@jit
def lay_columns(heights, wind_m, u, v, air_m, temperature, log_pressure, out):
    """Columns given at nodes of their own onto fixed heights.

    Node arrays are [columns, nodes], their heights never fall; `out` is float32 [columns,
    H, 4]. NaN in a node makes the spans on both sides of it NaN.
    """
    for i in range(out.shape[0]):
        _fill(heights, wind_m[i], u[i], v[i], out[i], 0)
        _fill(heights, air_m[i], temperature[i], log_pressure[i], out[i], 2)
