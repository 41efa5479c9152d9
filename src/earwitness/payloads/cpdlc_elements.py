"""The element texts of the two controller-pilot tables, by number.

Those of FANS-1/A: read in the FAA's Aeronautical Information Manual and ICAO's GOLD where the project's aviation sheet
marks them so, the rest from memory of RTCA DO-219. Those of the ATN: PANS-ATM (Doc 4444, appendix 5) and Doc 9880 / 9705
part on CPDLC, from memory; they are FANS-1/A's but for those named here and what follows.
"""

from __future__ import annotations

from collections.abc import Mapping

_UPLINK = """UNABLE|STANDBY|REQUEST DEFERRED|ROGER|AFFIRM|NEGATIVE|EXPECT [level]|EXPECT CLIMB AT [time]|
EXPECT CLIMB AT [position]|EXPECT DESCENT AT [time]|EXPECT DESCENT AT [position]|EXPECT CRUISE CLIMB AT [time]|
EXPECT CRUISE CLIMB AT [position]|AT [time] EXPECT CLIMB TO [level]|AT [position] EXPECT CLIMB TO [level]|
AT [time] EXPECT DESCENT TO [level]|AT [position] EXPECT DESCENT TO [level]|
AT [time] EXPECT CRUISE CLIMB TO [level]|AT [position] EXPECT CRUISE CLIMB TO [level]|MAINTAIN [level]|
CLIMB TO AND MAINTAIN [level]|AT [time] CLIMB TO AND MAINTAIN [level]|AT [position] CLIMB TO AND MAINTAIN [level]|
DESCEND TO AND MAINTAIN [level]|AT [time] DESCEND TO AND MAINTAIN [level]|
AT [position] DESCEND TO AND MAINTAIN [level]|CLIMB TO REACH [level] BY [time]|CLIMB TO REACH [level] BY [position]|
DESCEND TO REACH [level] BY [time]|DESCEND TO REACH [level] BY [position]|MAINTAIN BLOCK [level] TO [level]|
CLIMB TO AND MAINTAIN BLOCK [level] TO [level]|DESCEND TO AND MAINTAIN BLOCK [level] TO [level]|CRUISE [level]|
CRUISE CLIMB TO [level]|CRUISE CLIMB ABOVE [level]|EXPEDITE CLIMB TO [level]|EXPEDITE DESCENT TO [level]|
IMMEDIATELY CLIMB TO [level]|IMMEDIATELY DESCEND TO [level]|IMMEDIATELY STOP CLIMB AT [level]|
IMMEDIATELY STOP DESCENT AT [level]|EXPECT TO CROSS [position] AT [level]|
EXPECT TO CROSS [position] AT OR ABOVE [level]|EXPECT TO CROSS [position] AT OR BELOW [level]|
EXPECT TO CROSS [position] AT AND MAINTAIN [level]|CROSS [position] AT [level]|CROSS [position] AT OR ABOVE [level]|
CROSS [position] AT OR BELOW [level]|CROSS [position] AT AND MAINTAIN [level]|
CROSS [position] BETWEEN [level] AND [level]|CROSS [position] AT [time]|CROSS [position] AT OR BEFORE [time]|
CROSS [position] AT OR AFTER [time]|CROSS [position] BETWEEN [time] AND [time]|CROSS [position] AT [speed]|
CROSS [position] AT OR LESS THAN [speed]|CROSS [position] AT OR GREATER THAN [speed]|
CROSS [position] AT [time] AT [level]|CROSS [position] AT OR BEFORE [time] AT [level]|
CROSS [position] AT OR AFTER [time] AT [level]|CROSS [position] AT AND MAINTAIN [level] AT [speed]|
AT [time] CROSS [position] AT AND MAINTAIN [level]|AT [time] CROSS [position] AT AND MAINTAIN [level] AT [speed]|
OFFSET [offset] [direction] OF ROUTE|AT [position] OFFSET [offset] [direction] OF ROUTE|
AT [time] OFFSET [offset] [direction] OF ROUTE|PROCEED BACK ON ROUTE|REJOIN ROUTE BY [position]|
REJOIN ROUTE BY [time]|EXPECT BACK ON ROUTE BY [position]|EXPECT BACK ON ROUTE BY [time]|RESUME OWN NAVIGATION|
[departure]|PROCEED DIRECT TO [position]|WHEN ABLE PROCEED DIRECT TO [position]|
AT [time] PROCEED DIRECT TO [position]|AT [position] PROCEED DIRECT TO [position]|
AT [level] PROCEED DIRECT TO [position]|CLEARED TO [position] VIA [route]|CLEARED [route]|CLEARED [procedure]|
CLEARED TO DEVIATE UP TO [offset] [direction] OF ROUTE|AT [position] CLEARED [route]|
AT [position] CLEARED [procedure]|EXPECT [route]|AT [position] EXPECT [route]|EXPECT DIRECT TO [position]|
AT [position] EXPECT DIRECT TO [position]|AT [time] EXPECT DIRECT TO [position]|
AT [level] EXPECT DIRECT TO [position]|HOLD AT [hold]|HOLD AT [position] AS PUBLISHED MAINTAIN [level]|
EXPECT FURTHER CLEARANCE AT [time]|TURN [direction] HEADING [degrees]|TURN [direction] GROUND TRACK [degrees]|
FLY PRESENT HEADING|AT [position] FLY HEADING [degrees]|IMMEDIATELY TURN [direction] HEADING [degrees]|
EXPECT [procedure]|AT [time] EXPECT [speed]|AT [position] EXPECT [speed]|AT [level] EXPECT [speed]|
AT [time] EXPECT [speed] TO [speed]|AT [position] EXPECT [speed] TO [speed]|AT [level] EXPECT [speed] TO [speed]|
MAINTAIN [speed]|MAINTAIN PRESENT SPEED|MAINTAIN [speed] OR GREATER|MAINTAIN [speed] OR LESS|
MAINTAIN [speed] TO [speed]|INCREASE SPEED TO [speed]|INCREASE SPEED TO [speed] OR GREATER|REDUCE SPEED TO [speed]|
REDUCE SPEED TO [speed] OR LESS|DO NOT EXCEED [speed]|RESUME NORMAL SPEED|CONTACT [unit] [frequency]|
AT [position] CONTACT [unit] [frequency]|AT [time] CONTACT [unit] [frequency]|MONITOR [unit] [frequency]|
AT [position] MONITOR [unit] [frequency]|AT [time] MONITOR [unit] [frequency]|SQUAWK [code]|STOP SQUAWK|
SQUAWK ALTITUDE|STOP ALTITUDE SQUAWK|REPORT BACK ON ROUTE|REPORT LEAVING [level]|REPORT LEVEL [level]|
REPORT PASSING [position]|REPORT REMAINING FUEL AND SOULS ON BOARD|CONFIRM POSITION|CONFIRM ALTITUDE|CONFIRM SPEED|
CONFIRM ASSIGNED ALTITUDE|CONFIRM ASSIGNED SPEED|CONFIRM ASSIGNED ROUTE|CONFIRM TIME OVER REPORTED WAYPOINT|
CONFIRM REPORTED WAYPOINT|CONFIRM NEXT WAYPOINT|CONFIRM NEXT WAYPOINT ETA|CONFIRM ENSUING WAYPOINT|CONFIRM REQUEST|
CONFIRM SQUAWK|CONFIRM HEADING|CONFIRM GROUND TRACK|REQUEST POSITION REPORT|WHEN CAN YOU ACCEPT [level]|
CAN YOU ACCEPT [level] AT [position]|CAN YOU ACCEPT [level] AT [time]|WHEN CAN YOU ACCEPT [speed]|
WHEN CAN YOU ACCEPT [direction] [offset] OFFSET|ALTIMETER [altimeter]|RADAR SERVICES TERMINATED|
RADAR CONTACT [position]|RADAR CONTACT LOST|CHECK STUCK MICROPHONE [frequency]|ATIS [letter]|ERROR [error]|
NEXT DATA AUTHORITY [facility]|END SERVICE|SERVICE UNAVAILABLE|[facility] [table]|WHEN READY|THEN|DUE TO TRAFFIC|
DUE TO AIRSPACE RESTRICTION|DISREGARD|[text]|[text]|CLIMB AT [rate] MINIMUM|CLIMB AT [rate] MAXIMUM|
DESCEND AT [rate] MINIMUM|DESCEND AT [rate] MAXIMUM|REPORT REACHING [level]|MAINTAIN OWN SEPARATION AND VMC|
AT PILOTS DISCRETION|[track]|SQUAWK IDENT|REPORT REACHING BLOCK [level] TO [level]|
REPORT DISTANCE [to_from] [position]|CONFIRM ATIS CODE"""

_DOWNLINK = """WILCO|UNABLE|STANDBY|ROGER|AFFIRM|NEGATIVE|REQUEST [level]|REQUEST BLOCK [level] TO [level]|
REQUEST CRUISE CLIMB TO [level]|REQUEST CLIMB TO [level]|REQUEST DESCENT TO [level]|
AT [position] REQUEST CLIMB TO [level]|AT [position] REQUEST DESCENT TO [level]|AT [time] REQUEST CLIMB TO [level]|
AT [time] REQUEST DESCENT TO [level]|REQUEST OFFSET [offset] [direction] OF ROUTE|
AT [position] REQUEST OFFSET [offset] [direction] OF ROUTE|AT [time] REQUEST OFFSET [offset] [direction] OF ROUTE|
REQUEST [speed]|REQUEST [speed] TO [speed]|REQUEST VOICE CONTACT|REQUEST VOICE CONTACT [frequency]|
REQUEST DIRECT TO [position]|REQUEST [procedure]|REQUEST [route]|REQUEST CLEARANCE|
REQUEST WEATHER DEVIATION TO [position] VIA [route]|REQUEST WEATHER DEVIATION UP TO [offset] [direction] OF ROUTE|
LEAVING [level]|CLIMBING TO [level]|DESCENDING TO [level]|PASSING [position]|PRESENT ALTITUDE [level]|
PRESENT POSITION [position]|PRESENT SPEED [speed]|PRESENT HEADING [degrees]|PRESENT GROUND TRACK [degrees]|
LEVEL [level]|ASSIGNED ALTITUDE [level]|ASSIGNED SPEED [speed]|ASSIGNED ROUTE [route]|BACK ON ROUTE|
NEXT WAYPOINT [position]|NEXT WAYPOINT ETA [time]|ENSUING WAYPOINT [position]|REPORTED WAYPOINT [position]|
REPORTED WAYPOINT [time]|SQUAWKING [code]|POSITION REPORT [report]|WHEN CAN WE EXPECT [speed]|
WHEN CAN WE EXPECT [speed] TO [speed]|WHEN CAN WE EXPECT BACK ON ROUTE|WHEN CAN WE EXPECT LOWER ALTITUDE|
WHEN CAN WE EXPECT HIGHER ALTITUDE|WHEN CAN WE EXPECT CRUISE CLIMB TO [level]|PAN PAN PAN|MAYDAY MAYDAY MAYDAY|
[fuel] OF FUEL REMAINING AND [souls] SOULS ON BOARD|CANCEL EMERGENCY|DIVERTING TO [position] VIA [route]|
OFFSETTING [offset] [direction] OF ROUTE|DESCENDING TO [level]|ERROR [error]|NOT CURRENT DATA AUTHORITY|[facility]|
DUE TO WEATHER|DUE TO AIRCRAFT PERFORMANCE|[text]|[text]|REQUEST VMC DESCENT|REQUEST HEADING [degrees]|
REQUEST GROUND TRACK [degrees]|REACHING [level]|VERSION [version]|MAINTAIN OWN SEPARATION AND VMC|
AT PILOTS DISCRETION|REACHING BLOCK [level] TO [level]|ASSIGNED BLOCK [level] TO [level]|
AT [time] [distance] [to_from] [position]|ATIS [letter]|DEVIATING [offset] [direction] OF ROUTE"""

_ATN_UPLINK_OTHERWISE: Mapping[int, str] = {
    20: "CLIMB TO [level]",
    21: "AT [time] CLIMB TO [level]",
    22: "AT [position] CLIMB TO [level]",
    23: "DESCEND TO [level]",
    24: "AT [time] DESCEND TO [level]",
    25: "AT [position] DESCEND TO [level]",
    33: "reserved",
    35: "WHEN ABOVE [level] COMMENCE CRUISE CLIMB",
    40: "reserved",
    41: "reserved",
    96: "CONTINUE PRESENT HEADING",
    125: "SQUAWK MODE CHARLIE",
    126: "STOP SQUAWK MODE CHARLIE",
    129: "REPORT MAINTAINING [level]",
    131: "REPORT REMAINING FUEL AND PERSONS ON BOARD",
    132: "REPORT POSITION",
    133: "REPORT PRESENT LEVEL",
    134: "REPORT [speed types] SPEED",
    135: "CONFIRM ASSIGNED LEVEL",
    145: "REPORT HEADING",
    146: "REPORT GROUND TRACK",
    152: "WHEN CAN YOU ACCEPT [offset] [direction] OFFSET",
    154: "RADAR SERVICE TERMINATED",
    163: "[designation]",
    166: "DUE TO [traffic] TRAFFIC",
    178: "reserved",
}
_ATN_UPLINK_MORE = """[text]|AT [time] REPORT DISTANCE [to_from] [position]|AFTER PASSING [position] CLIMB TO [level]|
AFTER PASSING [position] DESCEND TO [level]|[text]|AFTER PASSING [position] MAINTAIN [speed]|
ADJUST SPEED TO [speed]|FLY HEADING [degrees]|ALL ATS TERMINATED|REACH [level] BY [time]|IDENTIFICATION LOST|
[text]|[text]|[text]|[text]|[text]|[text]|REPORT REACHING|reserved|reserved|[text]|[text]|[text]|[text]|[text]|
[text]|REACH [level] BY [position]|IDENTIFIED [position]|REQUEST FORWARDED|[designation] ATIS [letter] CURRENT|
[designation] ALTIMETER [altimeter]|RVR RUNWAY [runway] [rvr]|TURN [direction] [degrees]|REQUEST FLIGHT PLAN|
REPORT ARRIVAL|REQUEST ALREADY RECEIVED|STOP CLIMB AT [level]|STOP DESCENT AT [level]|
STOP TURN HEADING [degrees]|NO SPEED RESTRICTION|REDUCE TO MINIMUM APPROACH SPEED|NO DELAY EXPECTED|
DELAY NOT DETERMINED|EXPECTED APPROACH TIME [time]|LOGICAL ACKNOWLEDGEMENT|REPORT ETA [position]|
REPORT ALTERNATE AERODROME|IMMEDIATELY|STATE PREFERRED LEVEL|STATE TOP OF DESCENT|
USE OF LOGICAL ACKNOWLEDGEMENT PROHIBITED|FLIGHT PLAN NOT HELD|ROGER 7500|LEAVE CONTROLLED AIRSPACE|
REQUEST AGAIN WITH NEXT UNIT"""

_ATN_DOWNLINK_OTHERWISE: Mapping[int, str] = {
    25: "REQUEST [clearance] CLEARANCE",
    32: "PRESENT LEVEL [level]",
    37: "MAINTAINING [level]",
    38: "ASSIGNED LEVEL [level]",
    52: "WHEN CAN WE EXPECT LOWER LEVEL",
    53: "WHEN CAN WE EXPECT HIGHER LEVEL",
    57: "[fuel] OF FUEL REMAINING AND [souls] PERSONS ON BOARD",
    64: "[designation]",
    73: "[version]",
    74: "REQUEST OWN SEPARATION AND VMC",
}
_ATN_DOWNLINK_MORE = """WE CAN ACCEPT [level] AT [time]|WE CANNOT ACCEPT [level]|WE CAN ACCEPT [speed] AT [time]|
WE CANNOT ACCEPT [speed]|WE CAN ACCEPT [offset] [direction] AT [time]|WE CANNOT ACCEPT [offset] [direction]|
WHEN CAN WE EXPECT CLIMB TO [level]|WHEN CAN WE EXPECT DESCENT TO [level]|MONITORING [unit] [frequency]|[text]|
[text]|[text]|[text]|[text]|[text]|[text]|[text]|[text]|CURRENT DATA AUTHORITY|LOGICAL ACKNOWLEDGEMENT|
REQUEST END OF SERVICE|LANDING REPORT|CANCELLING IFR|ETA [position] [time]|ALTERNATE AERODROME [airport]|
PREFERRED LEVEL [level]|NOT AUTHORIZED NEXT DATA AUTHORITY|DE-ICING COMPLETE|TOP OF DESCENT [time]|
TOP OF DESCENT [position]|TOP OF DESCENT [time] [position]|SQUAWKING 7500|[speed types] SPEED [speed]"""


def _listed(text: str) -> tuple[str, ...]:
    return tuple(text.replace("\n", "").split("|"))


def _otherwise(table: tuple[str, ...], changes: Mapping[int, str], more: str) -> tuple[str, ...]:
    return (*(changes.get(number, text) for number, text in enumerate(table)), *_listed(more))


FANS_UPLINK = _listed(_UPLINK)
FANS_DOWNLINK = _listed(_DOWNLINK)
ATN_UPLINK = _otherwise(FANS_UPLINK, _ATN_UPLINK_OTHERWISE, _ATN_UPLINK_MORE)
ATN_DOWNLINK = _otherwise(FANS_DOWNLINK, _ATN_DOWNLINK_OTHERWISE, _ATN_DOWNLINK_MORE)
