"""Which header keywords speak for which value: aliases, most trusted first.

Sources: FITS Standard 4.0 [F]; NOAO FITS Keyword Dictionary 1.0, 2000 [N]; SBFITSEXT 1.0, 2003 [S]
(attributed from memory). Every other spelling is common practice, no source. Keywords are compared
squeezed (see `squeeze`), so CCD-TEMP also stands for CCDTEMP, CCD_TEMP and "CCD TEMP".
"""

from collections.abc import Mapping
from functools import lru_cache

_DROPPED = str.maketrans("", "", "-_ .")


# The same few hundred keywords come back in every file.
@lru_cache(maxsize=8192)
def squeeze(keyword: str) -> str:
    """Reduce a keyword to upper case without HIERARCH, hyphens, underscores, dots and spaces."""
    upper = keyword.strip().upper().removeprefix("HIERARCH ")
    return upper.translate(_DROPPED)


_SPELLINGS: dict[str, str] = {
    # --- what the frame is -------------------------------------------------------------------
    # IMAGETYP [S], OBSTYPE [N]; FRAME also holds running numbers, which `kinds` ignores.
    "kind": (
        "IMAGETYP IMAGETYPE IMAGE-TYP FRAMETYP FRAMETYPE FRAME OBSTYPE OBS-TYPE IMGTYPE "
        "IMGTYP IMTYPE EXPTYPE PICTTYPE CCDTYPE DATA-TYP KOAIMTYP FLAVOR"
    ),
    # Products of pipelines, dispersers, modes of observing: see `observatory`.
    "product": "PRODTYPE PROCTYPE PRODCATG ESO-PRO-CATG",
    "disperser": (
        "DISPERSR DISPERSER DISPERSE DISPNAME DISPELEM GRISM GRISNAME GRISMID GRISM1 GRATING "
        "GRATNAME GRATID GRNAME ALGRNM ESO-INS-GRIS1-NAME ESO-INS-GRIS-NAME"
    ),
    "observing_mode": "OBSMODE OBS-MODE INSMODE INSTMODE",
    # SNAPSHOT [S]: "number of images combined".
    "combined": (
        "NCOMBINE STACKCNT SNAPSHOT NUMFRAME NUMFRAMES NFRAMES NFRAME NIMAGES NUMCOMB NCOMB "
        "NSTACK STACKED NSTACKED"
    ),
    "total_exposure": "TOTALEXP TOTEXP EXPTOTAL TEXPTIME LIVETIME STACKEXP",
    "calibration_status": "CALSTAT CALSTATUS CALIBRAT",
    # Done or not done, step by step [N].
    "calibration_step": (
        "ZEROCOR BIASCOR DARKCOR FLATCOR CCDPROC BIASCORR DARKCORR FLATCORR CALIBRATED"
    ),
    "debayered": "DEBAYER DEBAYERED DEMOSAIC DEMOSAICED",
    "registered": "REGISTER REGISTERED ALIGNED",
    # --- when --------------------------------------------------------------------------------
    # DATE-BEG [F] can only be the start; DATE-OBS [F] "shall be assumed" to be the start.
    "date_start": "DATE-BEG DATE-OBS DATE-START DATE-STRT UTDATE DATE-UT OBSDATE",
    "time_start": (
        "TIME-BEG TIME-OBS UTSTART UT-START UTC-START TIME-START UTSHUT UTOPEN UT-OBS UTC-OBS "
        "UTIME UT UTC TIME-UT UT-TIME"
    ),
    "mjd_start": "MJD-BEG MJD-OBS MJD-START EXPSTART MJD",
    "jd_start": "JD-BEG JD-OBS JDSTART JD-START JD-STRT",
    "jd": "JD JULIAN JD-UTC JULDATE",
    "date_middle": "DATE-AVG DATE-MID MIDPOINT UTMIDDLE UTC-MID",
    "mjd_middle": "MJD-AVG MJD-MID MJDMIDDLE",
    "jd_middle": "JD-AVG JD-MID MIDJD JD-MIDDLE",
    "date_end": "DATE-END DATE-STOP DATE-FIN",
    "mjd_end": "MJD-END",
    "date_local": (
        "DATE-LOC DATE-LOCAL LOCALTIM LOCALTIME LOC-TIME LOCTIME TIME-LOC TIME-LOCAL "
        "LOCAL-DATE LOC-DATE DATE-LT LT-DATE LT LT-OBS LDATE LTIME"
    ),
    "time_scale": "TIMESYS",
    # --- exposure ----------------------------------------------------------------------------
    # EXPTIME [N, S], XPOSURE [F]; the rest by falling closeness to the open shutter.
    "exposure": (
        "EXPTIME EXPOSURE XPOSURE EXPOSURETIME EXPOS EXPOSED EXP-TIME-S EXPOSURE-S EXP ITIME "
        "INTTIME INT-TIME SHUTTERTIME EXPREQ"
    ),
    "exposure_ms": "EXPOINMS EXPTIMEMS EXPOSUREMS EXPMS EXP-MS",
    "exposure_us": "EXPOINUS EXPTIMEUS EXPOSUREUS EXPUS EXP-US",
    # --- target, filter, instrument ----------------------------------------------------------
    "target": "OBJECT OBJNAME OBJECTNAME TARGET TARGNAME TARGETNAME FIELD ESO-OBS-TARG-NAME",
    "filter": (
        "FILTER FILTERID FILTID FILTNAM FILTNAME FILTERNM FILTERNAME FILT INSFLNAM FILTER1 "
        "FILTER01 FILTNAM1 FILTER2 FILTER02 FILTNAM2 FILTER3 FILTER03 FILTER4 FILT1 FILT2 FILT3 "
        "ALFLTNM FAFLTNM FBFLTNM ESO-INS-FILT1-NAME ESO-INS-FILT2-NAME ESO-INS-FILT3-NAME "
        "ESO-INS-FILT4-NAME ESO-INS-FILT-NAME"
    ),
    "camera": "INSTRUME CAMERA CAMNAME CAMERANAME DETNAME DETECTOR CCDNAME",
    "telescope": "TELESCOP TELESCOPE TELNAME SCOPE OPTICS TELID",
    "software": "SWCREATE CREATOR PROGRAM SOFTWARE SWNAME PROGNAME",
    # --- camera ------------------------------------------------------------------------------
    "sensor_temperature": (
        "CCD-TEMP DET-TEMP DETTEM SENSTEMP SENSORTEMP CAM-TEMP CAMTEMP CHIPTEMP CCDTEM1 "
        "CCD-TMP CCDATEMP CCDTEMP1 TEMPERAT TEMPERATURE"
    ),
    "set_temperature": (
        "SET-TEMP SETTEMP CCD-SET CCDSETTMP TEMP-SET TEMPSETP SETPOINT TARGTEMP COOLSET CCDTSET "
        "CCDSTEMP"
    ),
    # GAIN is e/ADU in [N] and the camera's setting in common practice: see `levels.read_gain`.
    "gain": "GAIN GAINSET GAIN-SET CAMGAIN GAINRAW ISOSPEED ISO ISOSPEEDRATING",
    "egain": "EGAIN E-GAIN EADU E-ADU EPERADU EPADU ADUGAIN CONVGAIN",
    "offset": "OFFSET BLKLEVEL BLACKLVL BLACKLEV BLACKLEVEL CAMOFFS OFFSETSET",
    "pedestal": "PEDESTAL",
    "readout_mode": "READOUTM READMODE READOUT READOUTMODE RDMODE RDOUTMOD",
    "read_noise": "RDNOISE READNOIS READNOISE RON READ-NOI",
    "binning_x": "XBINNING XBIN BINX CCDXBIN XBINNG HBIN BINNINGX CCDBIN1 BINX1 ESO-DET-WIN1-BINX",
    "binning_y": "YBINNING YBIN BINY CCDYBIN YBINNG VBIN BINNINGY CCDBIN2 BINX2 ESO-DET-WIN1-BINY",
    "binning": "BINNING CCDSUM BIN BINMODE CCDBIN CAMBIN",
    # XPIXSZ [S] is "after binning", PIXSIZE1 [N] is the unbinned pixel.
    "pixel_unbinned": "PIXSIZE1 PIXSIZE PIXSIZEX PIXELSIZE XPIXELSZ PIXSZ PHOTOSITE",
    "pixel_binned": "XPIXSZ XPIXSIZE XPIXELSIZE",
    # XORGSUBF and YORGSUBF [S], DETSEC and CCDSEC [N].
    "region_x": "XORGSUBF SUBFRAMEX ROIX XSTART STARTX",
    "region_y": "YORGSUBF SUBFRAMEY ROIY YSTART STARTY",
    "region": "DETSEC CCDSEC",
    "bayer": "BAYERPAT BAYERPATTERN COLORTYP COLORTYPE CFA CFAPAT CFATYPE BAYER",
    "bayer_shift_x": "XBAYROFF BAYOFFX XBAYEROFF",
    "bayer_shift_y": "YBAYROFF BAYOFFY YBAYEROFF",
    "saturation": "SATURATE SATLEVEL SATURATION SATURAT SATADU",
    "data_max": "DATAMAX",
    # --- optics, focuser, rotator ------------------------------------------------------------
    "focal_length": "FOCALLEN FOCALLENGTH FOCAL FOCLEN FOCALL TELFOCAL TELFL",
    "aperture": "APTDIA APERTUR APERTURE TELAPERT TELDIAM APDIA DIAMETER",
    "focus_position": (
        "FOCPOS FOCUSPOS FOCUSPOSITION FOCUSP FOCSTEP FOCUSSTEP TELFOCUS FOCUS FOCUSER"
    ),
    "focus_temperature": "FOCTEMP FOCUSTEM FOCUSTEMP FOCUSTMP FOCTMP FOC-TEMP FOCUSERTEMP",
    # AOCAMBT [S].
    "ambient_temperature": (
        "AMBTEMP AMB-TEMP AOCAMBT AMBIENT AMBIENTTEMP TEMPAMB AIRTEMP OUTTEMP EXTTEMP ENVTEMP "
        "TEMPOUT WXTEMP"
    ),
    "rotator": "ROTATANG ROTATOR ROTPOS ROTANG ROTANGLE ROTATORANGLE ROTMECH ROTMPA",
    "sky_angle": "OBJCTROT POSANGLE POSANG ROTSKYPA SKYPA SKYANGLE PA CROTA2",
    # Arc seconds a pixel; and a millimetre of the focal plane (PLTSCALE: sky surveys' plates).
    "plate_scale": (
        "SECPIX SECPIX1 SECPIX2 PIXSCALE PIXSCAL1 PIXSCAL2 PIXSCAL PIXELSCALE PIXSCL IM-SCALE "
        "IMSCALE IMGSCALE IMAGESCALE CCDSCALE ARCSECPP ARCSECPIX ARCPIX ASPP SCALE "
        "ESO-INS-PIXSCALE ESO-INS-PIXSCAL"
    ),
    "plate_scale_mm": "PLTSCALE PLATSCAL PLATESCALE FOCSCALE TELSCALE ESO-TEL-FOCU-SCALE",
    "pier_side": "PIERSIDE SIDEOFPI SIDEOFPIER TELPIER",
    "airmass": "AIRMASS AIRMASS1 AMSTART SECZ",
    # --- site --------------------------------------------------------------------------------
    # OBSGEO-B, -L, -H [F] and SITELAT, SITELONG [S].
    "latitude": (
        "SITELAT OBSGEO-B LAT-OBS OBS-LAT LATITUDE LATITUD SITE-LATITUDE GEOLAT OBSLATITUDE "
        "GPS-LAT LAT ESOTELGEOLAT"
    ),
    "longitude": (
        "SITELONG SITELON OBSGEO-L LONG-OBS LON-OBS OBS-LONG OBS-LON LONGITUD LONGITUDE "
        "SITE-LONGITUDE GEOLON GEOLONG GPS-LONG GPS-LON LONG LON "
        "ESOTELGEOLON"
    ),
    "elevation": (
        "SITEELEV OBSGEO-H ALT-OBS OBS-ELEV OBS-ALT ELEVATIO ELEVATION SITEALT GEOELEV "
        "GPS-ALT GPS-ELEV ESOTELGEOELEV"
    ),
    # What tells the longitude's sign beside the longitude: see `longitude`.
    "sidereal_time": (
        "LST-OBS LST LST-BEG LST-STRT LSTSTART LST-HDR ST ST-OBS STSTART SIDTIME SIDEREAL "
        "SIDERTIM LMST LOCALST OBS-LST TELLST"
    ),
    "utc_offset": "UTCOFFST UTCOFFS UTC-OFFSET UTC-OFF GMTOFFST GMTOFFS TZOFFSET TZ-OFFS",
    "hour_angle": "HA HA-OBS HA-STRT OBJCTHA TELHA HOURANGL HOURANG",
    # The telescope's own altitude in degrees as often as the site's in metres.
    "altitude_of_something": "ALTITUDE HEIGHT",
}

ALIASES: Mapping[str, tuple[str, ...]] = {
    name: tuple(dict.fromkeys(map(squeeze, words.split()))) for name, words in _SPELLINGS.items()
}

# Right ascension and declination belong together: the first complete pair is taken. Where the
# mount pointed comes before where the object is; CRVAL1/2 [F] are looked at last, by CTYPE.
POINTING_PAIRS: tuple[tuple[str, str], ...] = (
    ("RA", "DEC"),
    ("TELRA", "TELDEC"),
    ("RATEL", "DECTEL"),
    ("MOUNTRA", "MOUNTDEC"),
    ("CENTRA", "CENTDEC"),
    ("RAOBS", "DECOBS"),
    ("RADEG", "DECDEG"),
    ("OBJCTRA", "OBJCTDEC"),
    ("OBJRA", "OBJDEC"),
    ("RAOBJ", "DECOBJ"),
    ("TARGRA", "TARGDEC"),
    ("RATARG", "DECTARG"),
    ("RANOM", "DECNOM"),
)

# Keywords whose plain number is hours by definition: OBJCTRA is written 'HH MM SS' [S].
HOURS_BY_DEFINITION = frozenset({"OBJCTRA", "OBJRA"})
