"""Designators of airlines: two signs by IATA, three letters by ICAO (Doc 8585), from memory.

Flight numbers of ACARS begin with the first, call signs of Mode S with the second. Listed are only airlines whose
pair is certain; a pair may have belonged to another airline in other years, so that a match is a hint.
"""

from __future__ import annotations

_PAIRS = """
2L OAW|3U CSC|5X UPS|5Y GTI|6E IGO|6H ISR|7C JJA|A3 AEE|AA AAL|AC ACA|AF AFR|AH DAH|AI AIC|AK AXM|AM AMX|AR ARG|AS ASA|
AT RAM|AV AVA|AY FIN|B6 JBU|BA BAW|BG BBC|BI RBA|BJ LBT|BR EVA|BT BTI|BY TOM|CA CCA|CI CAL|CK CKK|CM CMP|CV CLX|CX CPA|
CZ CSN|DE CFG|DL DAL|DT DTA|EI EIN|EK UAE|EN DLA|ET ETH|EW EWG|EY ETD|F9 FFT|FB LZB|FD AIQ|FI ICE|FJ FJI|FM CSH|FR RYR|
FX FDX|FZ FDB|G3 GLO|G4 AAY|GA GIA|GF GFA|GR AUR|HA HAL|HM SEY|HO DKH|HU CHH|HV TRA|HX CRK|HY UZB|IB IBE|IR IRA|IX AXB|
IZ AIZ|J2 AHY|JL JAL|JQ JST|JU ASL|K4 CKS|KC KZR|KE KAL|KL KLM|KQ KQA|KU KAC|KZ NCA|LA LAN|LG LGL|LH DLH|LJ JNA|LM LOG|
LO LOT|LS EXS|LX SWR|LY ELY|MF CXA|MH MAS|MK MAU|MP MPH|MS MSR|MU CES|NH ANA|NK NKS|NZ ANZ|OA OAL|OK CSA|OS AUA|OU CTN|
OZ AAR|PC PGT|PD POE|PG BKP|PK PIA|PO PAC|PR PAL|PS AUI|PX ANG|QF QFA|QR QTR|QS TVS|QY BCS|RC FLI|RJ RJA|RO ROT|RU ABW|
S7 SBI|SA SAA|SC CDG|SG SEJ|SK SAS|SN BEL|SQ SIA|SS CRL|SU AFL|SV SVA|SY SCX|TB JAF|TG THA|TK THY|TM LAM|TO TVF|TP TAP|
TR TGW|TS TSC|TU TAR|TW TWB|TX FWI|U2 EZY|UA UAL|UL ALK|UO HKE|UX AEA|VA VOZ|VB VIV|VJ VJC|VN HVN|VS VIR|VY VLG|W6 WZZ|
WB RWD|WF WIF|WK EDW|WN SWA|WS WJA|WY OMA|XQ SXS|XY KNE|Y4 VOI|ZH CSZ|ZL RXA
"""

ICAO_OF_IATA: dict[str, str] = {
    pair[:2]: pair[3:] for pair in _PAIRS.replace("\n", "").split("|")
}  # fmt: skip


def icao_designator(operator: str) -> str:
    """Give the three letters of an airline's two signs where they are known; any other designator as it is."""
    return ICAO_OF_IATA.get(operator, operator)
