"""The published sources that formulas, limits and checks cite."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

__all__ = ["SOURCES", "Source", "source_title"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A published source.

    Attributes:
        key: the name it is cited by, lower case with hyphens.
        title: title as published.
        edition: edition or year.
        locator: DOI, standard's number, or where it is to be had.
        grade: ``published``, ``independent``, ``common_practice`` or ``memory``.
    """

    key: str
    title: str
    edition: str
    locator: str
    grade: str = "published"


def _source(key: str, title: str, edition: str, locator: str, grade: str = "published") -> Source:
    return Source(key=key, title=title, edition=edition, locator=locator, grade=grade)


_ALL = (
    _source(
        "astm-b258",
        "Standard Specification for Nominal Diameters and Cross-Sectional Areas of AWG Sizes",
        "2018",
        "ASTM B258",
    ),
    _source(
        "annuity-examples",
        "Worked examples of the present worth of a yearly sum, in open texts and programs",
        "2024",
        "stated beside each case",
    ),
    _source(
        "assumption",
        "An assumption of this project, to be replaced by the site's own figure",
        "",
        "",
        "common_practice",
    ),
    _source(
        "common-practice",
        "Common practice of the trade, without a published source",
        "",
        "",
        "common_practice",
    ),
    _source(
        "memory",
        "A value from memory, to be confirmed against its document before anyone relies on it",
        "",
        "",
        "memory",
    ),
    _source(
        "de-soto-2006",
        "Improvement and validation of a model for photovoltaic array performance",
        "Solar Energy 80(1), 78-88, 2006",
        "doi:10.1016/j.solener.2005.06.010",
    ),
    _source(
        "pvlib-precise-iv",
        "High-precision single-diode I-V curves, test data of pvlib-python",
        "0.16.1",
        "PyPI pvlib, source distribution, tests/data/precise_iv_curves*.json",
        "independent",
    ),
    _source(
        "pvlib-fit-desoto",
        "Fitted De Soto parameters of one module, test of pvlib-python",
        "0.16.1",
        "github.com/pvlib/pvlib-python, tests/ivtools/sdm/test_desoto.py",
        "independent",
    ),
    _source(
        "cec-modules",
        "CEC module library, as carried by pvlib-python",
        "pvlib 0.16.1",
        "pvlib.pvsystem.retrieve_sam('CECMod')",
    ),
    _source(
        "dempster-laird-rubin-1977",
        "Maximum Likelihood from Incomplete Data via the EM Algorithm",
        "Journal of the Royal Statistical Society B 39, 1-38, 1977",
        "doi:10.1111/j.2517-6161.1977.tb01600.x",
    ),
    _source(
        "durbin-koopman-2012",
        "Time Series Analysis by State Space Methods",
        "2nd edition, 2012",
        "doi:10.1093/acprof:oso/9780199641178.001.0001",
    ),
    _source(
        "efron-2004",
        "Large-Scale Simultaneous Hypothesis Testing: The Choice of a Null Hypothesis",
        "Journal of the American Statistical Association 99 (465), 96-104, 2004",
        "doi:10.1198/016214504000000089",
    ),
    _source(
        "press-2007",
        "Numerical Recipes: The Art of Scientific Computing, third edition",
        "Cambridge University Press, 2007",
        "ISBN 978-0-521-88068-8",
    ),
    _source(
        "geman-geman-1984",
        "Stochastic Relaxation, Gibbs Distributions, and the Bayesian Restoration of Images",
        "IEEE Transactions on Pattern Analysis and Machine Intelligence 6, 721-741, 1984",
        "doi:10.1109/TPAMI.1984.4767596",
    ),
    _source(
        "fisher-2004",
        "The Lagrangian Relaxation Method for Solving Integer Programming Problems",
        "Management Science 50, 1861-1871, 2004",
        "doi:10.1287/mnsc.1040.0263",
    ),
    _source(
        "kolchinsky-tracey-2017",
        "Estimating Mixture Entropy with Pairwise Distances",
        "Entropy 19 (7), 361, 2017",
        "doi:10.3390/e19070361",
    ),
    _source(
        "lange-1989",
        "Robust Statistical Modeling Using the t Distribution",
        "Journal of the American Statistical Association 84, 881-896, 1989",
        "doi:10.1080/01621459.1989.10478852",
    ),
    _source(
        "fisher-1958",
        "On grouping for maximum homogeneity",
        "Journal of the American Statistical Association 53(284), 789-798, 1958",
        "doi:10.1080/01621459.1958.10501479",
    ),
    _source(
        "huangfu-hall-2018",
        "Parallelizing the dual revised simplex method",
        "Mathematical Programming Computation 10(1), 119-142, 2018",
        "doi:10.1007/s12532-017-0130-5",
    ),
    _source(
        "iec-60891",
        "Photovoltaic devices - Procedures for temperature and irradiance corrections to "
        "measured I-V characteristics",
        "2021",
        "IEC 60891",
    ),
    _source(
        "iec-62446-1",
        "Photovoltaic (PV) systems - Requirements for testing, documentation and maintenance - "
        "Part 1: Grid connected systems",
        "2016+AMD1:2018",
        "IEC 62446-1",
    ),
    _source(
        "iec-60904-5",
        "Photovoltaic devices - Part 5: Determination of the equivalent cell temperature by the "
        "open-circuit voltage method",
        "2011",
        "IEC 60904-5",
    ),
    _source(
        "jcgm-100",
        "Evaluation of measurement data - Guide to the expression of uncertainty in measurement",
        "2008",
        "JCGM 100:2008",
    ),
    _source(
        "iso-2859-1",
        "Sampling procedures for inspection by attributes - Part 1",
        "1999",
        "ISO 2859-1",
    ),
    _source(
        "mil-std-105e",
        "Sampling procedures and tables for inspection by attributes",
        "1989",
        "MIL-STD-105E",
    ),
    _source("netstrings", "Netstrings", "1997", "https://cr.yp.to/proto/netstrings.txt"),
    _source("fips-180-4", "Secure Hash Standard", "2015", "doi:10.6028/NIST.FIPS.180-4"),
    _source(
        "rfc-8032",
        "Edwards-Curve Digital Signature Algorithm (EdDSA)",
        "2017",
        "doi:10.17487/RFC8032",
    ),
    _source(
        "rfc-8259",
        "The JavaScript Object Notation (JSON) Data Interchange Format",
        "2017",
        "doi:10.17487/RFC8259",
    ),
    _source("rfc-9562", "Universally Unique IDentifiers (UUIDs)", "2024", "doi:10.17487/RFC9562"),
    _source("gs1-gen-specs", "GS1 General Specifications", "24.0", "GS1"),
    _source(
        "astm-e1036",
        "Standard Test Methods for Electrical Performance of Nonconcentrator Terrestrial "
        "Photovoltaic Modules and Arrays Using Reference Cells",
        "2015, reapproved 2019",
        "doi:10.1520/E1036-15R19",
    ),
    _source(
        "hay-davies-1980",
        "Calculations of the solar radiation incident on an inclined surface",
        "First Canadian Solar Radiation Data Workshop, 59-72, 1980",
        "Hay, J. E.; Davies, J. A.",
    ),
    _source(
        "iec-60891-2009",
        "Photovoltaic devices - Procedures for temperature and irradiance corrections to "
        "measured I-V characteristics",
        "2009",
        "IEC 60891",
    ),
    _source(
        "ineichen-perez-2002",
        "A new airmass independent formulation for the Linke turbidity coefficient",
        "Solar Energy 73(3), 151-157, 2002",
        "doi:10.1016/S0038-092X(02)00045-2",
    ),
    _source(
        "spa-2004",
        "Solar position algorithm for solar radiation applications",
        "Solar Energy 76(5), 577-589, 2004",
        "doi:10.1016/j.solener.2003.12.003",
    ),
    _source(
        "pvlib-astm-e1036",
        "Key points of a measured curve after ASTM E1036, test of the function astm_e1036",
        "pvlib-python 0.16.1",
        "PyPI pvlib, source distribution, tests/ivtools/test_utils.py",
        "independent",
    ),
    _source(
        "outdoor-iv-3585",
        "3585 outdoor I-V curves of one 36-cell module with irradiance and cell temperature",
        "pvlib-python 0.16.1",
        "PyPI pvlib, source distribution, test data; here tests/data/outdoor_iv_3585",
        "independent",
    ),
    _source(
        "mismatch-size",
        "Size of the mismatch loss of 20 modules in series with scattered currents, simulation",
        "",
        "tests/published/mismatch-size.toml",
        "independent",
    ),
    _source(
        "bucciarelli-1979",
        "Power loss in photovoltaic arrays due to mismatch in cell characteristics",
        "Solar Energy 23(4), 277-288, 1979",
        "doi:10.1016/0038-092X(79)90121-X",
    ),
    _source(
        "pvmismatch-4-1",
        "pvmismatch, I-V curves of cells, modules, strings and arrays with mismatch",
        "4.1",
        "PyPI pvmismatch",
        "independent",
    ),
    _source(
        "ivcorrection",
        "ivcorrection, translation of I-V curves by IEC 60891:2021",
        "0.1.1",
        "PyPI ivcorrection",
        "independent",
    ),
    _source(
        "pvlib-cell-temperature",
        "Cell temperatures of two models at one condition, tests of the module temperature",
        "pvlib-python 0.16.1",
        "PyPI pvlib, source distribution, tests/test_temperature.py",
        "independent",
    ),
    _source(
        "pvlib-sapm-temperature",
        "Photovoltaic array performance model",
        "SAND2004-3535, 2004",
        "doi:10.2172/919131",
    ),
    _source(
        "faiman-2008",
        "Assessing the outdoor operating temperature of photovoltaic modules",
        "Progress in Photovoltaics 16(4), 307-315, 2008",
        "doi:10.1002/pip.813",
    ),
    _source(
        "en-1991-1-4",
        "Eurocode 1: Actions on structures - Part 1-4: General actions - Wind actions",
        "2005+A1:2010",
        "EN 1991-1-4",
    ),
    _source(
        "en-1991-1-3",
        "Eurocode 1: Actions on structures - Part 1-3: General actions - Snow loads",
        "2003+A1:2015",
        "EN 1991-1-3",
    ),
    _source("en-1990", "Eurocode: Basis of structural design", "2002+A1:2005", "EN 1990"),
    _source(
        "asce-7-16",
        "Minimum Design Loads and Associated Criteria for Buildings and Other Structures",
        "2016",
        "ASCE/SEI 7-16, doi:10.1061/9780784414248",
    ),
    _source(
        "iec-61215-2",
        "Terrestrial photovoltaic (PV) modules - Design qualification and type approval - "
        "Part 2: Test procedures",
        "2021",
        "IEC 61215-2",
    ),
    _source(
        "iec-61701",
        "Photovoltaic (PV) modules - Salt mist corrosion testing",
        "2020",
        "IEC 61701",
    ),
    _source(
        "steel-buildings-3",
        "Steel Buildings in Europe, Single-Storey Steel Buildings, Part 3: Actions",
        "2009",
        "RFCS project RFS2-CT-2008-0030, public design guide",
    ),
    _source(
        "wind-examples-public",
        "Wind pressures worked out in public calculation sheets and public test code",
        "",
        "tests/published/wind-examples-public.toml",
        "independent",
    ),
    _source(
        "row-spacing-examples",
        "Row spacing worked out in public training material",
        "",
        "tests/published/row-spacing-examples.toml",
        "independent",
    ),
    _source(
        "openstax-college-physics",
        "College Physics",
        "2012",
        "OpenStax, openstax.org",
    ),
    _source(
        "passias-kallback-1984",
        "Shading effects in rows of solar cell panels",
        "Solar Cells 11(3), 281-291, 1984",
        "doi:10.1016/0379-6787(84)90017-6",
    ),
    _source(
        "anderson-jensen-2024",
        "Shaded fraction and backtracking in single-axis trackers on rolling terrain",
        "Journal of Renewable and Sustainable Energy 16(2), 023504, 2024",
        "doi:10.1063/5.0202220",
    ),
    _source(
        "pvlib-shading",
        "Masking angles and shaded fractions, tests of the module shading",
        "pvlib-python 0.16.1",
        "PyPI pvlib, source distribution, tests/test_shading.py",
        "independent",
    ),
    _source(
        "iec-60228",
        "Conductors of insulated cables",
        "2004",
        "IEC 60228",
    ),
    _source(
        "en-50618",
        "Electric cables for photovoltaic systems",
        "2014",
        "EN 50618",
    ),
    _source(
        "iec-60364-5-52",
        "Low-voltage electrical installations - Part 5-52: Selection and erection of "
        "electrical equipment - Wiring systems",
        "2009",
        "IEC 60364-5-52",
    ),
    _source(
        "iec-60364-5-54",
        "Low-voltage electrical installations - Part 5-54: Selection and erection of "
        "electrical equipment - Earthing arrangements and protective conductors",
        "2011",
        "IEC 60364-5-54",
    ),
    _source(
        "iec-62548-1",
        "Photovoltaic (PV) arrays - Part 1: Design requirements",
        "2023",
        "IEC 62548-1",
    ),
    _source(
        "nec-2023",
        "National Electrical Code",
        "2023",
        "NFPA 70",
    ),
    _source(
        "uk-pv-guide-2006",
        "Photovoltaics in buildings: guide to the installation of PV systems",
        "2nd edition, 2006",
        "UK Department of Trade and Industry",
    ),
    _source(
        "gilmore-gomory-1961",
        "A linear programming approach to the cutting-stock problem",
        "Operations Research 9(6), 849-859, 1961",
        "doi:10.1287/opre.9.6.849",
    ),
    _source(
        "farley-1990",
        "A note on bounding a class of linear programming problems, including cutting "
        "stock problems",
        "Operations Research 38(5), 922-923, 1990",
        "doi:10.1287/opre.38.5.922",
    ),
    _source(
        "valerio-de-carvalho-1999",
        "Exact solution of bin-packing problems using column generation and branch-and-bound",
        "Annals of Operations Research 86, 629-659, 1999",
        "doi:10.1023/A:1018952112615",
    ),
    _source(
        "ashrae-fundamentals-climate",
        "Climatic design information, in: Handbook of Fundamentals",
        "2009",
        "ASHRAE Handbook of Fundamentals, chapter 14",
        "memory",
    ),
    _source(
        "epw-data-dictionary",
        "Weather file (EPW) data dictionary, in: Auxiliary Programs",
        "24.1.0",
        "github.com/NREL/EnergyPlus, doc/auxiliary-programs, weather converter program",
    ),
    _source(
        "epw-design-conditions",
        "Yearly extremes of the air temperature of five stations, heads of open weather files",
        "climate design data 2009",
        "tests/published/epw-design-conditions.toml",
    ),
    _source(
        "tmy3-manual",
        "Users manual for TMY3 data sets",
        "NREL/TP-581-43156, revised May 2008",
        "Wilcox, S.; Marion, W.",
    ),
    _source(
        "erbs-1982",
        "Estimation of the diffuse radiation fraction for hourly, daily and monthly-average "
        "global radiation",
        "Solar Energy 28(4), 293-302, 1982",
        "doi:10.1016/0038-092X(82)90302-4",
    ),
    _source(
        "spencer-1971",
        "Fourier series representation of the position of the sun",
        "Search 2(5), 172, 1971",
        "Spencer, J. W.",
    ),
    _source(
        "de-soto-2006-iam",
        "Incidence-angle modifier of a glazed module from refraction and absorption, in: "
        "Improvement and validation of a model for photovoltaic array performance",
        "Solar Energy 80(1), 78-88, 2006",
        "doi:10.1016/j.solener.2005.06.010",
    ),
    _source(
        "marion-2017",
        "Numerical method for angle-of-incidence correction factors for diffuse radiation "
        "incident photovoltaic modules",
        "Solar Energy 147, 344-348, 2017",
        "doi:10.1016/j.solener.2017.03.027",
    ),
    _source(
        "dobos-2014",
        "Inverter and loss model of a published yield calculation, version 5",
        "NREL/TP-6A20-62641, 2014",
        "doi:10.2172/1158421",
    ),
    _source(
        "iec-61724-1",
        "Photovoltaic system performance - Part 1: Monitoring",
        "2021",
        "IEC 61724-1",
    ),
    _source(
        "thevenard-pelland-2013",
        "Estimating the uncertainty in long-term photovoltaic yield predictions",
        "Solar Energy 91, 432-445, 2013",
        "doi:10.1016/j.solener.2011.05.006",
    ),
    _source(
        "iec-61215-nmot",
        "Terrestrial photovoltaic (PV) modules - Design qualification and type approval - "
        "Part 2: Test procedures, nominal module operating temperature",
        "2021",
        "IEC 61215-2",
    ),
    _source(
        "pvlib-yield-tests",
        "Plane irradiance, incidence-angle modifiers and inverter curve, tests of pvlib-python",
        "0.16.1",
        "github.com/pvlib/pvlib-python, tests/test_irradiance.py, test_iam.py, "
        "inverter/test_inverter.py",
        "independent",
    ),
    _source(
        "iec-62548",
        "Photovoltaic (PV) arrays - Design requirements",
        "2016",
        "IEC 62548",
    ),
    _source(
        "iec-62305-1",
        "Protection against lightning - Part 1: General principles",
        "2010",
        "IEC 62305-1",
        "memory",
    ),
    _source(
        "iec-60364-7-712",
        "Low voltage electrical installations - Part 7-712: Requirements for special installations "
        "or locations - Solar photovoltaic (PV) power supply systems",
        "2017",
        "IEC 60364-7-712",
    ),
    _source(
        "iec-61643-32",
        "Low-voltage surge protective devices - Part 32: Surge protective devices connected to the "
        "d.c. side of photovoltaic installations - Selection and application principles",
        "2017",
        "IEC 61643-32",
    ),
    _source(
        "iec-60269-6",
        "Low-voltage fuses - Part 6: Supplementary requirements for fuse-links for the protection "
        "of solar photovoltaic energy systems",
        "2010",
        "IEC 60269-6",
    ),
    _source(
        "iec-60904-1-2",
        "Photovoltaic devices - Part 1-2: Measurement of current-voltage characteristics of "
        "bifacial photovoltaic (PV) devices",
        "2024",
        "IEC 60904-1-2",
    ),
)

SOURCES: Final[dict[str, Source]] = {source.key: source for source in _ALL}
"""Every source by its key."""


def source_title(basis: str) -> str:
    """Give the title and edition behind a finding's basis, which is a key and a clause."""
    key, _, clause = basis.partition(" ")
    source = SOURCES[key]
    text = f"{source.title}, {source.edition}" if source.edition else source.title
    return f"{text}, {clause}" if clause else text
