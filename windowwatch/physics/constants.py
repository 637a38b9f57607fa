"""Physical constants of the house, each with its unit and where it comes from."""

from typing import Final

# --- Figure of the Earth -------------------------------------------------------------
#: Equatorial radius of WGS 84. [m] NGA.STND.0036_1.0.0 (2014), table 3.1.
WGS84_A_M: Final = 6_378_137.0
#: Flattening of WGS 84. [1] NGA.STND.0036_1.0.0 (2014), table 3.1.
WGS84_F: Final = 1.0 / 298.257223563
#: First eccentricity squared of WGS 84, from the flattening. [1]
WGS84_E2: Final = WGS84_F * (2.0 - WGS84_F)

# --- Gravity -------------------------------------------------------------------------
#: Standard acceleration of free fall. [m s⁻²] 3rd CGPM (1901).
STANDARD_GRAVITY_MPS2: Final = 9.80665
#: Normal gravity at the equator of WGS 84. [m s⁻²] NGA.STND.0036_1.0.0, table 3.5.
GRAVITY_EQUATOR_MPS2: Final = 9.7803253359
#: Somigliana's constant of WGS 84. [1] NGA.STND.0036_1.0.0, table 3.5.
SOMIGLIANA_K: Final = 0.00193185265241

# --- Standard atmosphere -------------------------------------------------------------
#: Earth radius of the standard atmosphere's geopotential. [m] NOAA-S/T 76-1562, table 2.
USSA76_RADIUS_M: Final = 6_356_766.0
#: Gas constant of the standard atmosphere. [J kmol⁻¹ K⁻¹] NOAA-S/T 76-1562, table 2.
USSA76_GAS_CONSTANT: Final = 8314.32
#: Molar mass of air at sea level. [kg kmol⁻¹] NOAA-S/T 76-1562, table 2.
USSA76_MOLAR_MASS: Final = 28.9644
#: Specific gas constant of dry air that follows from the two above. [J kg⁻¹ K⁻¹]
AIR_GAS_CONSTANT: Final = USSA76_GAS_CONSTANT / USSA76_MOLAR_MASS
#: Sea-level pressure. [Pa] NOAA-S/T 76-1562, table 2.
USSA76_SEA_LEVEL_PRESSURE_PA: Final = 101_325.0
#: Sea-level temperature. [K] NOAA-S/T 76-1562, table 2.
USSA76_SEA_LEVEL_TEMPERATURE_K: Final = 288.15
#: Geopotential heights of the layer bases. [m] NOAA-S/T 76-1562, table 4.
USSA76_BASE_M: Final = (0.0, 11e3, 20e3, 32e3, 47e3, 51e3, 71e3)
#: Gradients of molecular-scale temperature in those layers. [K m⁻¹] Same table.
USSA76_LAPSE_KPM: Final = (-6.5e-3, 0.0, 1.0e-3, 2.8e-3, 0.0, -2.8e-3, -2.0e-3)
#: Geometric top of the part that rests on these layers. [m] NOAA-S/T 76-1562, section 1.2.
USSA76_TOP_M: Final = 86_000.0
#: Ratio of molar mass to its sea-level value from 80 km up, every 500 m. [1]
#: NOAA-S/T 76-1562, table 8 (from memory; gives the printed 186.87 K at 86 km).
USSA76_MOLAR_MASS_RATIO: Final = (
    1.0, 0.999996, 0.999989, 0.999971, 0.999941, 0.999909, 0.999870,
    0.999829, 0.999786, 0.999741, 0.999694, 0.999641, 0.999579,
)  # fmt: skip
#: Sutherland's β. [kg s⁻¹ m⁻¹ K^-½] NOAA-S/T 76-1562, table 2.
SUTHERLAND_BETA: Final = 1.458e-6
#: Sutherland's temperature. [K] NOAA-S/T 76-1562, table 2.
SUTHERLAND_S_K: Final = 110.4

# --- Gases ---------------------------------------------------------------------------
#: Molar mass of hydrogen. [kg kmol⁻¹] IUPAC standard atomic weights 2021 (from memory).
HYDROGEN_MOLAR_MASS: Final = 2.01588
#: Molar mass of helium. [kg kmol⁻¹] IUPAC standard atomic weights 2021 (from memory).
HELIUM_MOLAR_MASS: Final = 4.002602
#: Ratio of the molar masses of water vapour and dry air. [1] WMO-No. 8 (2018), annex 4.B.
WATER_TO_AIR: Final = 0.62198

# --- Water vapour ----------------------------------------------------------------------
#: Saturation over a plane surface of pure water and of ice, -45 °C to 60 °C and -65 °C to 0 °C:
#: pressure at 0 °C [Pa], factor [1] and temperature [°C] of Magnus' formula. WMO-No. 8 (2018),
#: annex 4.B.
SATURATION_AT_0_C_PA: Final = 611.2
MAGNUS_WATER: Final = (17.62, 243.12)
MAGNUS_ICE: Final = (22.46, 272.62)
