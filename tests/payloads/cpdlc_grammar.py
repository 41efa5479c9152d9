"""The two controller-pilot grammars as ASN.1 text, for the reference library; from memory, as the readers are.

Element types stand as the modules name them, apart from the texts, so that a slip in either shows. RELATIVE-OID is
not known to the library; the optional part that has it is never sent here.
"""

import re

SHARED = """
Airport ::= IA5String (SIZE (4))
AltimeterSetting ::= CHOICE { english INTEGER (2200..3200), metric INTEGER (7500..12500) }
AtisCode ::= IA5String (SIZE (1))
Code ::= SEQUENCE (SIZE (4)) OF INTEGER (0..7)
Degrees ::= CHOICE { magnetic INTEGER (1..360), true INTEGER (1..360) }
Direction ::= ENUMERATED { left, right, eitherSide, north, south, east, west, northEast, northWest, southEast, southWest }
DirectionDegrees ::= SEQUENCE { direction Direction, degrees Degrees }
FreeText ::= IA5String (SIZE (1..256))
LegType ::= CHOICE { distance CHOICE { nm INTEGER (0..50), km INTEGER (1..128) }, time INTEGER (0..10) }
Runway ::= SEQUENCE { direction INTEGER (1..36), configuration ENUMERATED { left, right, center, none } }
Time ::= SEQUENCE { hours INTEGER (0..23), minutes INTEGER (0..59) }
TimeTolerance ::= ENUMERATED { at, atorafter, atorbefore }
ToFrom ::= ENUMERATED { to, from }
VersionNumber ::= INTEGER (0..15)
Winds ::= SEQUENCE { direction INTEGER (1..360), speed CHOICE { english INTEGER (0..255), metric INTEGER (0..511) } }
RemainingFuelPersonsOnBoard ::= SEQUENCE { fuel Time, persons INTEGER (1..1024) }
PlaceBearing ::= SEQUENCE { publishedIdentifier PublishedIdentifier, degrees Degrees }
PlaceBearingPlaceBearing ::= SEQUENCE (SIZE (2)) OF PlaceBearing
PlaceBearingDistance ::= SEQUENCE { publishedIdentifier PublishedIdentifier, degrees Degrees, distance Distance }
LevelTolerance ::= ENUMERATED { at, atorabove, atorbelow }
TolerantLevel ::= SEQUENCE { tolerance LevelTolerance, level Level }
TolerantLevels ::= SEQUENCE (SIZE (1..2)) OF TolerantLevel
AlongTrack ::= SEQUENCE {
  position Position,
  distance SEQUENCE { tolerance ENUMERATED { plus, minus }, distance Distance },
  speed Speed OPTIONAL, levels TolerantLevels OPTIONAL }
InterceptCourseFrom ::= SEQUENCE {
  from CHOICE { publishedIdentifier PublishedIdentifier, latitudeLongitude LatitudeLongitude,
    placeBearingPlaceBearing PlaceBearingPlaceBearing, placeBearingDistance PlaceBearingDistance },
  degrees Degrees }
HoldAtWaypoint ::= SEQUENCE {
  position Position, speedLow Speed OPTIONAL, level TolerantLevel OPTIONAL, speedHigh Speed OPTIONAL,
  direction Direction OPTIONAL, degrees Degrees OPTIONAL, efcTime Time OPTIONAL, legType LegType OPTIONAL }
WaypointSpeedLevel ::= SEQUENCE { position Position, speed Speed OPTIONAL, levels TolerantLevels OPTIONAL }
RequiredTime ::= SEQUENCE {
  position Position, time SEQUENCE { time Time, tolerance TimeTolerance }, tolerance INTEGER (1..150) OPTIONAL }
ReportingPoints ::= SEQUENCE { points ReportingDegrees, increment INTEGER (1..20) OPTIONAL }
RouteInformationAdditional ::= SEQUENCE {
  alongTrack SEQUENCE (SIZE (1..8)) OF AlongTrack OPTIONAL,
  reportingPoints ReportingPoints OPTIONAL,
  interceptCourseFroms SEQUENCE (SIZE (1..4)) OF InterceptCourseFrom OPTIONAL,
  holdAtWaypoints SEQUENCE (SIZE (1..8)) OF HoldAtWaypoint OPTIONAL,
  waypointSpeedLevels SEQUENCE (SIZE (1..32)) OF WaypointSpeedLevel OPTIONAL,
  requiredTimes SEQUENCE (SIZE (1..32)) OF RequiredTime OPTIONAL }
"""

ATN = """
LatitudeLongitude ::= SEQUENCE { latitude Latitude OPTIONAL, longitude Longitude OPTIONAL }
Latitude ::= SEQUENCE { type CHOICE {
    degrees INTEGER (0..90000),
    degreesMinutes SEQUENCE { degrees INTEGER (0..89), minutes INTEGER (0..5999) },
    dms SEQUENCE { degrees INTEGER (0..89), minutes INTEGER (0..59), seconds INTEGER (0..59) } },
  direction ENUMERATED { north, south } }
Longitude ::= SEQUENCE { type CHOICE {
    degrees INTEGER (0..180000),
    degreesMinutes SEQUENCE { degrees INTEGER (0..179), minutes INTEGER (0..5999) },
    dms SEQUENCE { degrees INTEGER (0..179), minutes INTEGER (0..59), seconds INTEGER (0..59) } },
  direction ENUMERATED { east, west } }
FixName ::= SEQUENCE { name IA5String (SIZE (1..5)), latlon LatitudeLongitude OPTIONAL }
Navaid ::= SEQUENCE { name IA5String (SIZE (1..4)), latlon LatitudeLongitude OPTIONAL }
PublishedIdentifier ::= CHOICE { fixName FixName, navaid Navaid }
Position ::= CHOICE { fixName FixName, navaid Navaid, airport Airport, latitudeLongitude LatitudeLongitude,
  placeBearingDistance PlaceBearingDistance }
ReportingDegrees ::= CHOICE {
  latitude SEQUENCE { direction ENUMERATED { north, south }, degrees INTEGER (0..90000) },
  longitude SEQUENCE { direction ENUMERATED { east, west }, degrees INTEGER (0..180000) } }
LevelType ::= CHOICE { feet INTEGER (-60..7000), meters INTEGER (-30..25000), flightLevel INTEGER (30..700),
  flightLevelMetric INTEGER (100..2500) }
Level ::= CHOICE { singleLevel LevelType, blockLevel SEQUENCE (SIZE (2)) OF LevelType }
Speed ::= CHOICE { indicated INTEGER (0..400), indicatedMetric INTEGER (0..800), true INTEGER (0..2000),
  trueMetric INTEGER (0..4000), ground INTEGER (-50..2000), groundMetric INTEGER (-100..4000), mach INTEGER (500..4000) }
Distance ::= CHOICE { nm INTEGER (0..9999), km INTEGER (0..8000) }
DistanceSpecified ::= CHOICE { nm INTEGER (1..250), km INTEGER (1..500) }
DistanceSpecifiedDirection ::= SEQUENCE { distance DistanceSpecified, direction Direction }
VerticalRate ::= CHOICE { english INTEGER (0..3000), metric INTEGER (0..1000) }
Frequency ::= CHOICE { hf INTEGER (2850..28000), vhf INTEGER (23600..27398), uhf INTEGER (9000..15999),
  satellite NumericString (SIZE (12)) }
FacilityDesignation ::= IA5String (SIZE (8))
Facility ::= CHOICE { noFacility NULL, facilityDesignation FacilityDesignation }
UnitName ::= SEQUENCE { designation FacilityDesignation, name IA5String (SIZE (3..18)) OPTIONAL,
  function ENUMERATED { center, approach, tower, final, groundControl, clearanceDelivery, departure, control, radio, ... } }
UnitNameFrequency ::= SEQUENCE { unit UnitName, frequency Frequency }
ProcedureName ::= SEQUENCE { type ENUMERATED { arrival, approach, departure }, procedure IA5String (SIZE (1..20)),
  transition IA5String (SIZE (1..5)) OPTIONAL }
ClearanceType ::= ENUMERATED { noneSpecified, approach, departure, further, startUp, pushback, taxi, takeOff, landing,
  oceanic, enRoute, downstream, ... }
TrafficType ::= ENUMERATED { noneSpecified, oppositeDirection, sameDirection, converging, crossing, diverging, ... }
SpeedType ::= ENUMERATED { noneSpecified, indicated, true, ground, mach, approach, cruise, minimum, maximum, ... }
SpeedTypes ::= SEQUENCE (SIZE (3)) OF SpeedType
SpeedTypesSpeed ::= SEQUENCE { types SpeedTypes, speed Speed }
ErrorInformation ::= ENUMERATED { reference, acknowledgement, resources, combination, element, ... }
Rvr ::= CHOICE { feet INTEGER (0..6100), meters INTEGER (0..1500) }
RunwayRvr ::= SEQUENCE { runway Runway, rvr Rvr }
RouteInformation ::= CHOICE { publishedIdentifier PublishedIdentifier, latitudeLongitude LatitudeLongitude,
  placeBearingPlaceBearing PlaceBearingPlaceBearing, placeBearingDistance PlaceBearingDistance,
  atsRoute IA5String (SIZE (2..7)) }
RouteClearance ::= SEQUENCE {
  airportDeparture Airport OPTIONAL, airportDestination Airport OPTIONAL, runwayDeparture Runway OPTIONAL,
  procedureDeparture ProcedureName OPTIONAL, runwayArrival Runway OPTIONAL, procedureApproach ProcedureName OPTIONAL,
  procedureArrival ProcedureName OPTIONAL, routeInformations SEQUENCE (SIZE (1..128)) OF RouteInformation OPTIONAL,
  additional RouteInformationAdditional OPTIONAL }
RouteClearanceIndex ::= INTEGER (1..2)
HoldClearance ::= SEQUENCE { position Position, level Level, degrees Degrees, direction Direction, legType LegType }
PositionReport ::= SEQUENCE {
  position Position, time Time, level Level,
  fixNext Position OPTIONAL, timeNext Time OPTIONAL, fixPlusOne Position OPTIONAL, timeDestination Time OPTIONAL,
  fuel Time OPTIONAL, temperature INTEGER (-100..100) OPTIONAL, winds Winds OPTIONAL,
  turbulence ENUMERATED { light, moderate, severe } OPTIONAL,
  icing ENUMERATED { reserved, light, moderate, severe } OPTIONAL, speed Speed OPTIONAL,
  speedGround INTEGER (-50..2000) OPTIONAL,
  verticalChange SEQUENCE { direction ENUMERATED { up, down }, rate VerticalRate } OPTIONAL,
  trackAngle Degrees OPTIONAL, heading Degrees OPTIONAL, distance Distance OPTIONAL, humidity INTEGER (0..100) OPTIONAL,
  reportedPosition Position OPTIONAL, reportedTime Time OPTIONAL, reportedLevel Level OPTIONAL }
LevelsOfFlight ::= CHOICE { level Level, procedureName ProcedureName,
  levelProcedureName SEQUENCE { level Level, procedureName ProcedureName } }
DepartureClearance ::= SEQUENCE {
  flight IA5String (SIZE (2..8)), clearanceLimit Position,
  flightInformation CHOICE { routeOfFlight RouteInformation, levelsOfFlight LevelsOfFlight,
    routeAndLevels SEQUENCE { routeOfFlight RouteInformation, levelsOfFlight LevelsOfFlight } },
  further SEQUENCE { code Code OPTIONAL, departureFrequency UnitNameFrequency OPTIONAL, expiry Time OPTIONAL,
    airportDeparture Airport OPTIONAL, airportDestination Airport OPTIONAL,
    timeDeparture SEQUENCE { allocated Time OPTIONAL,
      controlled SEQUENCE { time Time, tolerance TimeTolerance } OPTIONAL,
      clearanceExpected Time OPTIONAL, minimumInterval INTEGER (1..150) OPTIONAL } OPTIONAL,
    runwayDeparture Runway OPTIONAL, revision INTEGER (1..16) OPTIONAL, atisCode AtisCode OPTIONAL } OPTIONAL }

Header ::= SEQUENCE { number INTEGER (0..63), reference INTEGER (0..63) OPTIONAL,
  dateTime SEQUENCE {
    date SEQUENCE { year INTEGER (1996..2095), month INTEGER (1..12), day INTEGER (1..31) },
    time SEQUENCE { hoursminutes Time, seconds INTEGER (0..59) } },
  logicalAck ENUMERATED { required, notRequired } DEFAULT notRequired }
ConstrainedData ::= SEQUENCE { routeClearanceData SEQUENCE (SIZE (1..2)) OF RouteClearance OPTIONAL, ... }
UplinkMessage ::= SEQUENCE { header Header, data SEQUENCE {
  elements SEQUENCE (SIZE (1..5)) OF UplinkElement, constrained ConstrainedData OPTIONAL } }
DownlinkMessage ::= SEQUENCE { header Header, data SEQUENCE {
  elements SEQUENCE (SIZE (1..5)) OF DownlinkElement, constrained ConstrainedData OPTIONAL } }

UserAbort ::= ENUMERATED { r0, r1, r2, r3, r4, r5, r6, r7, r8, r9, r10, r11, r12, ... }
ProviderAbort ::= ENUMERATED { p0, p1, p2, p3, p4, p5, p6, p7, ... }
Protected ::= SEQUENCE { algorithm OCTET STRING OPTIONAL, message BIT STRING OPTIONAL, check BIT STRING, ... }
ProtectedGround ::= CHOICE { abortUser UserAbort, abortProvider ProviderAbort, startup Protected, send Protected,
  forward NULL, forwardResponse NULL, ... }
ProtectedAircraft ::= CHOICE { abortUser UserAbort, abortProvider ProviderAbort,
  startdown SEQUENCE { mode ENUMERATED { cpdlc, dsc } DEFAULT cpdlc, message Protected }, send Protected, ... }

ShortTsap ::= SEQUENCE { ars OCTET STRING (SIZE (3)) OPTIONAL, rest OCTET STRING (SIZE (10..11)) }
LongTsap ::= SEQUENCE { rdp OCTET STRING (SIZE (5)), short ShortTsap }
AppVersion ::= SEQUENCE { qualifier INTEGER (0..255), version INTEGER (1..255) }
AppAddress ::= SEQUENCE { qualifier INTEGER (0..255), version INTEGER (1..255),
  address CHOICE { long LongTsap, short ShortTsap } }
CMFacility ::= IA5String (SIZE (4..8))
LogonRequest ::= SEQUENCE { flight IA5String (SIZE (2..8)), address LongTsap,
  ground SEQUENCE (SIZE (1..256)) OF AppAddress OPTIONAL, air SEQUENCE (SIZE (1..256)) OF AppVersion OPTIONAL,
  facility CMFacility OPTIONAL, departure Airport OPTIONAL, destination Airport OPTIONAL,
  etd SEQUENCE { date SEQUENCE { year INTEGER (1996..2095), month INTEGER (1..12), day INTEGER (1..31) }, time Time }
    OPTIONAL }
LogonResponse ::= SEQUENCE { air SEQUENCE (SIZE (1..256)) OF AppAddress OPTIONAL,
  ground SEQUENCE (SIZE (1..256)) OF AppVersion OPTIONAL }
CMAbort ::= ENUMERATED { a0, a1, a2, a3, a4, a5, a6, a7, a8, a9, ... }
CMAircraft ::= CHOICE { logonRequest LogonRequest, contactResponse ENUMERATED { success, notSuccessful }, abort CMAbort, ... }
CMGround ::= CHOICE { logonResponse LogonResponse, update LogonResponse,
  contactRequest SEQUENCE { facility CMFacility, address LongTsap }, forwardRequest NULL, abort CMAbort,
  forwardResponse NULL, ... }

Pdv ::= SEQUENCE { syntax OBJECT IDENTIFIER OPTIONAL, context INTEGER (1..127, ...),
  values CHOICE { single OCTET STRING, octets OCTET STRING, arbitrary BIT STRING } }
Lists ::= SEQUENCE (SIZE (1, ...)) OF Pdv
Ext ::= SEQUENCE { direct OBJECT IDENTIFIER OPTIONAL, indirect INTEGER OPTIONAL, words OCTET STRING OPTIONAL,
  encoding CHOICE { single OCTET STRING, octets OCTET STRING, arbitrary BIT STRING } }
UserInformation ::= SEQUENCE (SIZE (1, ...)) OF Ext
Title ::= CHOICE { name OCTET STRING, oid OBJECT IDENTIFIER, ... }
Qualifier ::= CHOICE { name OCTET STRING, number INTEGER, ... }
Acse ::= CHOICE {
  aarq SEQUENCE { version BIT STRING OPTIONAL, context OBJECT IDENTIFIER, calledTitle Title OPTIONAL,
    calledQualifier Qualifier OPTIONAL, calledAp INTEGER OPTIONAL, calledAe INTEGER OPTIONAL,
    callingTitle Title OPTIONAL, callingQualifier Qualifier OPTIONAL, callingAp INTEGER OPTIONAL,
    callingAe INTEGER OPTIONAL, requirements BIT STRING OPTIONAL, mechanism OBJECT IDENTIFIER OPTIONAL,
    authentication NULL OPTIONAL, contexts NULL OPTIONAL, implementation NULL OPTIONAL,
    user UserInformation OPTIONAL, ... },
  aare SEQUENCE { version BIT STRING OPTIONAL, context OBJECT IDENTIFIER, result INTEGER (0..2, ...),
    diagnostic CHOICE { user INTEGER (0..14, ...), provider INTEGER (0..2, ...) }, title Title OPTIONAL,
    qualifier Qualifier OPTIONAL, ap INTEGER OPTIONAL, ae INTEGER OPTIONAL, requirements BIT STRING OPTIONAL,
    mechanism OBJECT IDENTIFIER OPTIONAL, authentication NULL OPTIONAL, contexts NULL OPTIONAL,
    implementation NULL OPTIONAL, user UserInformation OPTIONAL, ... },
  rlrq SEQUENCE { reason INTEGER (0..30, ...) OPTIONAL, user UserInformation OPTIONAL, ... },
  rlre SEQUENCE { reason INTEGER (0..30, ...) OPTIONAL, user UserInformation OPTIONAL, ... },
  abrt SEQUENCE { source INTEGER (0..1, ...), diagnostic ENUMERATED { d1, d2, d3, d4, d5, d6, ... } OPTIONAL,
    user UserInformation OPTIONAL, ... }, ... }
"""

# Types of elements as the modules name them; a count of NULLs is written as a number.
ATN_UPLINK = """6 Level Time Position Time Position Time Position TimeLevel PositionLevel TimeLevel PositionLevel
TimeLevel PositionLevel Level Level TimeLevel PositionLevel Level TimeLevel PositionLevel LevelTime LevelPosition
LevelTime LevelPosition LevelLevel LevelLevel LevelLevel 1 Level Level Level Level Level Level 2 PositionLevel
PositionLevel PositionLevel PositionLevel PositionLevel PositionLevel PositionLevel PositionLevel PositionLevelLevel
PositionTime PositionTime PositionTime PositionTimeTime PositionSpeed PositionSpeed PositionSpeed PositionTimeLevel
PositionTimeLevel PositionTimeLevel PositionLevelSpeed TimePositionLevel TimePositionLevelSpeed
DistanceSpecifiedDirection PositionDistanceSpecifiedDirection TimeDistanceSpecifiedDirection 1 Position Time Position
Time 1 DepartureClearance Position Position TimePosition PositionPosition LevelPosition PositionRouteClearanceIndex
RouteClearanceIndex ProcedureName DistanceSpecifiedDirection PositionRouteClearanceIndex PositionProcedureName
RouteClearanceIndex PositionRouteClearanceIndex Position PositionPosition TimePosition LevelPosition HoldClearance
PositionLevel Time DirectionDegrees DirectionDegrees 1 PositionDegrees DirectionDegrees ProcedureName TimeSpeed
PositionSpeed LevelSpeed TimeSpeedSpeed PositionSpeedSpeed LevelSpeedSpeed Speed 1 Speed Speed SpeedSpeed Speed Speed
Speed Speed Speed 1 UnitNameFrequency PositionUnitNameFrequency TimeUnitNameFrequency UnitNameFrequency
PositionUnitNameFrequency TimeUnitNameFrequency Code 4 Level Level Position 3 SpeedTypes 13 Level LevelPosition LevelTime
Speed DistanceSpecifiedDirection AltimeterSetting 1 Position 1 Frequency AtisCode ErrorInformation Facility 2
FacilityDesignation 2 TrafficType 2 FreeText FreeText VerticalRate VerticalRate VerticalRate VerticalRate Level 4
LevelLevel ToFromPosition 1 FreeText TimeToFromPosition PositionLevel PositionLevel FreeText PositionSpeed Speed Degrees
1 LevelTime 1 FreeText FreeText FreeText FreeText FreeText FreeText 3 FreeText FreeText FreeText FreeText FreeText
FreeText LevelPosition Position 1 FacilityDesignationAtisCode FacilityDesignationAltimeterSetting RunwayRvr
DirectionDegrees 3 Level Level Degrees 4 Time 1 Position 9"""

ATN_DOWNLINK = """6 Level LevelLevel Level Level Level PositionLevel PositionLevel TimeLevel TimeLevel
DistanceSpecifiedDirection PositionDistanceSpecifiedDirection TimeDistanceSpecifiedDirection Speed SpeedSpeed 1 Frequency
Position ProcedureName RouteClearanceIndex ClearanceType PositionRouteClearanceIndex DistanceSpecifiedDirection Level
Level Level Position Level Position Speed Degrees Degrees Level Level Speed RouteClearanceIndex 1 Position Time Position
Position Time Code PositionReport Speed SpeedSpeed 3 Level 2 RemainingFuelPersonsOnBoard 1 PositionRouteClearanceIndex
DistanceSpecifiedDirection Level ErrorInformation 1 FacilityDesignation 2 FreeText FreeText 1 Degrees Degrees Level
VersionNumber 2 LevelLevel LevelLevel TimeDistanceToFromPosition AtisCode DistanceSpecifiedDirection LevelTime Level
SpeedTime Speed DistanceSpecifiedDirectionTime DistanceSpecifiedDirection Level Level UnitNameFrequency FreeText FreeText
FreeText FreeText FreeText FreeText FreeText FreeText FreeText 5 PositionTime Airport Level 2 Time Position TimePosition 1
SpeedTypesSpeed"""

FANS = """
LatitudeLongitude ::= SEQUENCE {
  latitude SEQUENCE { degrees INTEGER (0..90), minutes INTEGER (0..599) OPTIONAL, direction ENUMERATED { north, south } },
  longitude SEQUENCE { degrees INTEGER (0..180), minutes INTEGER (0..599) OPTIONAL, direction ENUMERATED { east, west } } }
PublishedIdentifier ::= SEQUENCE { fixName IA5String (SIZE (1..5)), latlon LatitudeLongitude OPTIONAL }
Position ::= CHOICE { fixName IA5String (SIZE (1..5)), navaid IA5String (SIZE (1..4)), airport Airport,
  latitudeLongitude LatitudeLongitude, placeBearingDistance PlaceBearingDistance }
ReportingDegrees ::= CHOICE {
  latitude SEQUENCE { direction ENUMERATED { north, south }, degrees INTEGER (0..90) },
  longitude SEQUENCE { direction ENUMERATED { east, west }, degrees INTEGER (0..180) } }
Level ::= CHOICE { qnh INTEGER (0..2500), qnhMeters INTEGER (0..16000), qfe INTEGER (0..2100), qfeMeters INTEGER (0..7000),
  gnss INTEGER (0..150000), gnssMeters INTEGER (0..50000), flightLevel INTEGER (30..600),
  flightLevelMetric INTEGER (100..2000) }
Speed ::= CHOICE { indicated INTEGER (7..38), indicatedMetric INTEGER (10..137), true INTEGER (7..70),
  trueMetric INTEGER (10..137), ground INTEGER (7..70), groundMetric INTEGER (10..265), mach INTEGER (61..92),
  machLarge INTEGER (93..604) }
Distance ::= CHOICE { nm INTEGER (0..9999), km INTEGER (1..1024) }
DistanceSpecified ::= CHOICE { nm INTEGER (1..128), km INTEGER (1..256) }
DistanceSpecifiedDirection ::= SEQUENCE { distance DistanceSpecified, direction Direction }
VerticalRate ::= CHOICE { english INTEGER (0..60), metric INTEGER (0..200) }
Frequency ::= CHOICE { hf INTEGER (2850..28000), vhf INTEGER (117000..138000), uhf INTEGER (225000..399975),
  satellite NumericString (SIZE (12)) }
FacilityDesignation ::= IA5String (SIZE (4))
TableOne ::= ENUMERATED { labelA, labelB }
UnitNameFrequency ::= SEQUENCE {
  unit SEQUENCE { identification CHOICE { designation FacilityDesignation, name IA5String (SIZE (3..18)) },
    function ENUMERATED { center, approach, tower, final, groundControl, clearanceDelivery, departure, control } },
  frequency Frequency }
ProcedureName ::= SEQUENCE { type ENUMERATED { arrival, approach, departure }, procedure IA5String (SIZE (1..6)),
  transition IA5String (SIZE (1..5)) OPTIONAL }
ErrorInformation ::= ENUMERATED { e0, e1, e2, e3, e4, e5, e6, e7, e8, e9, e10, e11, e12, e13, e14, e15 }
TrackDetail ::= SEQUENCE { name IA5String (SIZE (3..6)), places SEQUENCE (SIZE (1..128)) OF LatitudeLongitude }
RouteInformation ::= CHOICE { publishedIdentifier PublishedIdentifier, latitudeLongitude LatitudeLongitude,
  placeBearingPlaceBearing PlaceBearingPlaceBearing, placeBearingDistance PlaceBearingDistance,
  airway IA5String (SIZE (2..7)), trackDetail TrackDetail }
RouteClearance ::= SEQUENCE {
  airportDeparture Airport OPTIONAL, airportDestination Airport OPTIONAL, runwayDeparture Runway OPTIONAL,
  procedureDeparture ProcedureName OPTIONAL, runwayArrival Runway OPTIONAL, procedureApproach ProcedureName OPTIONAL,
  procedureArrival ProcedureName OPTIONAL, airwayIntercept IA5String (SIZE (2..7)) OPTIONAL,
  routeInformations SEQUENCE (SIZE (1..128)) OF RouteInformation OPTIONAL,
  additional RouteInformationAdditional OPTIONAL }
HoldClearance ::= SEQUENCE { position Position, level Level, degrees Degrees, direction Direction,
  legType LegType OPTIONAL }
PositionReport ::= SEQUENCE {
  position Position, time Time, level Level,
  fixNext Position OPTIONAL, timeNext Time OPTIONAL, fixPlusOne Position OPTIONAL, timeDestination Time OPTIONAL,
  fuel Time OPTIONAL, temperature CHOICE { c INTEGER (-80..47), f INTEGER (-105..150) } OPTIONAL, winds Winds OPTIONAL,
  turbulence ENUMERATED { light, moderate, severe } OPTIONAL,
  icing ENUMERATED { trace, light, moderate, severe } OPTIONAL, speed Speed OPTIONAL,
  speedGround INTEGER (7..70) OPTIONAL,
  verticalChange SEQUENCE { direction ENUMERATED { up, down }, rate VerticalRate } OPTIONAL,
  trackAngle Degrees OPTIONAL, heading Degrees OPTIONAL, distance Distance OPTIONAL,
  supplementary IA5String (SIZE (1..128)) OPTIONAL,
  reportedPosition Position OPTIONAL, reportedTime Time OPTIONAL, reportedLevel Level OPTIONAL }
PredepartureClearance ::= SEQUENCE {
  flight IA5String (SIZE (2..8)), aircraftType IA5String (SIZE (2..4)) OPTIONAL,
  equipment SEQUENCE { available BOOLEAN,
    status SEQUENCE (SIZE (1..16)) OF ENUMERATED { loranA, loranC, loranD, decca, dme, adf, gnss, hfRtf, inertial, ils,
      omega, vor, doppler, rnav, tacan, uhfRtf, vhfRtf },
    ssr ENUMERATED { nil, a, ac, s, spa, sid, spaid } } OPTIONAL,
  edct Time, route RouteClearance, restriction Level OPTIONAL, frequency Frequency, code Code, revision INTEGER (1..16) }
FacilityTableOne ::= SEQUENCE { facility FacilityDesignation, table TableOne }

Header ::= SEQUENCE { number INTEGER (0..63), reference INTEGER (0..63) OPTIONAL,
  time SEQUENCE { time Time, seconds INTEGER (0..59) } OPTIONAL }
UplinkMessage ::= SEQUENCE { header Header, element UplinkElement, more SEQUENCE (SIZE (1..4)) OF UplinkElement OPTIONAL }
DownlinkMessage ::= SEQUENCE { header Header, element DownlinkElement,
  more SEQUENCE (SIZE (1..4)) OF DownlinkElement OPTIONAL }
"""

FANS_UPLINK = """6 Level Time Position Time Position Time Position TimeLevel PositionLevel TimeLevel PositionLevel
TimeLevel PositionLevel Level Level TimeLevel PositionLevel Level TimeLevel PositionLevel LevelTime LevelPosition
LevelTime LevelPosition LevelLevel LevelLevel LevelLevel Level Level Level Level Level Level Level Level Level
PositionLevel PositionLevel PositionLevel PositionLevel PositionLevel PositionLevel PositionLevel PositionLevel
PositionLevelLevel PositionTime PositionTime PositionTime PositionTimeTime PositionSpeed PositionSpeed PositionSpeed
PositionTimeLevel PositionTimeLevel PositionTimeLevel PositionLevelSpeed TimePositionLevel TimePositionLevelSpeed
DistanceSpecifiedDirection PositionDistanceSpecifiedDirection TimeDistanceSpecifiedDirection 1 Position Time Position
Time 1 PredepartureClearance Position Position TimePosition PositionPosition LevelPosition PositionRouteClearance
RouteClearance ProcedureName DistanceSpecifiedDirection PositionRouteClearance PositionProcedureName
RouteClearance PositionRouteClearance Position PositionPosition TimePosition LevelPosition HoldClearance
PositionLevel Time DirectionDegrees DirectionDegrees 1 PositionDegrees DirectionDegrees ProcedureName TimeSpeed
PositionSpeed LevelSpeed TimeSpeedSpeed PositionSpeedSpeed LevelSpeedSpeed Speed 1 Speed Speed SpeedSpeed Speed Speed
Speed Speed Speed 1 UnitNameFrequency PositionUnitNameFrequency TimeUnitNameFrequency UnitNameFrequency
PositionUnitNameFrequency TimeUnitNameFrequency Code 4 Level Level Position 17 Level LevelPosition LevelTime
Speed DirectionDistanceSpecified AltimeterSetting 1 Position 1 Frequency AtisCode ErrorInformation FacilityDesignation 2
FacilityTableOne 5 FreeText FreeText VerticalRate VerticalRate VerticalRate VerticalRate Level 2 TrackDetail 1
LevelLevel ToFromPosition 1"""

FANS_DOWNLINK = """6 Level LevelLevel Level Level Level PositionLevel PositionLevel TimeLevel TimeLevel
DistanceSpecifiedDirection PositionDistanceSpecifiedDirection TimeDistanceSpecifiedDirection Speed SpeedSpeed 1 Frequency
Position ProcedureName RouteClearance 1 PositionRouteClearance DistanceSpecifiedDirection Level
Level Level Position Level Position Speed Degrees Degrees Level Level Speed RouteClearance 1 Position Time Position
Position Time Code PositionReport Speed SpeedSpeed 3 Level 2 RemainingFuelPersonsOnBoard 1 PositionRouteClearance
DistanceSpecifiedDirection Level ErrorInformation 1 FacilityDesignation 2 FreeText FreeText 1 Degrees Degrees Level
VersionNumber 2 LevelLevel LevelLevel TimeDistanceToFromPosition AtisCode DistanceSpecifiedDirection"""

# Names of element types that are types themselves, longest first; others are made of these.
WHOLE = (
    "DistanceSpecifiedDirection", "RemainingFuelPersonsOnBoard", "PredepartureClearance", "FacilityDesignation",
    "RouteClearanceIndex", "DepartureClearance", "UnitNameFrequency", "DirectionDegrees", "ErrorInformation",
    "AltimeterSetting", "SpeedTypesSpeed", "FacilityTableOne", "DistanceSpecified", "RouteClearance", "PositionReport",
    "HoldClearance", "ProcedureName", "ClearanceType", "VersionNumber", "VerticalRate", "TrafficType", "TrackDetail",
    "SpeedTypes", "RunwayRvr", "Direction", "Frequency", "Position", "Facility", "AtisCode", "Distance", "FreeText",
    "Airport", "Degrees", "ToFrom", "Level", "Speed", "Time", "Code", "NULL",
)  # fmt: skip


def element_types(listed):
    """The parts of each element, in order: ["Position", "Level"]; [] for those without."""
    out = []
    for word in listed.split():
        out += [[] for _ in range(int(word))] if word.isdecimal() else [re.findall("|".join(WHOLE), word)]
    return out


def module(base, up, down, *, ends):
    """The whole ASN.1 text; `ends` is written behind the last alternative of the elements."""
    text = "M DEFINITIONS AUTOMATIC TAGS ::= BEGIN\n" + SHARED + base
    for name, listed in (("UplinkElement", up), ("DownlinkElement", down)):
        rows = []
        for number, parts in enumerate(element_types(listed)):
            inner = ", ".join(f"p{i} {part}" for i, part in enumerate(parts))
            kind = "NULL" if not parts else parts[0] if len(parts) == 1 else f"SEQUENCE {{ {inner} }}"
            rows.append(f"e{number} {kind}")
        text += f"{name} ::= CHOICE {{ {', '.join(rows)}{ends} }}\n"
    return text + "END\n"
