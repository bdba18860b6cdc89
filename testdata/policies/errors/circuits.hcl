# Circuits and PDUs that cannot be.

site "barn" {
}

circuit "wall" {
  volts = 120
  amps  = 20
  lines = 4           # ERROR: Out of range
  wire  = "12 AGW"    # ERROR: Unknown size of wire
  breaker = "90%"     # ERROR: Unknown choice
}

circuit "split" {
  volts         = 120
  amps          = 20
  lines         = 2
  length_metres = 10
  length_feet   = 30 # ERROR: Exactly one is needed
}

circuit "a" { # shares its name with a UPS
  volts = 120
  amps  = 20
}

circuit "none" { # ERROR: Missing attribute
  volts = 120
}

ups "a" { # ERROR: Duplicate name
  rated_watts = 500
}

ups "b" {
  rated_watts = 500
  circuit     = "walls" # ERROR: Unknown circuit
  battery {
    chemistry = "vrla"
    volts     = 24
    amp_hours = 9
  }
  hid { serial = "1" }
}

ups "c" {
  rated_watts = 500
  circuit     = "split:L3" # ERROR: No such line
  battery {
    chemistry = "vrla"
    volts     = 24
    amp_hours = 9
  }
  hid { serial = "2" }
}

pdu "strip" {
  fed_by = "d" # ERROR: Unknown UPS
  amps   = 15
}

pdu "bare" { # ERROR: Missing attribute
  fed_by = "b"
  amps   = 15
}

pdu "side" {
  fed_by = "split"
  amps   = 15
  lines  = 2
}

pdu "on-c" {
  fed_by = "c"
  volts  = 120
  amps   = 15
}

load "light" {
  fed_by       = ["b"]
  watts        = 10
  plugged_into = ["stripe"] # ERROR: Unknown PDU
}

load "fan" {
  fed_by       = ["b"]
  watts        = 10
  plugged_into = ["side:L1-L1"] # ERROR: No such line
}

load "lamp" {
  fed_by       = ["b"]
  watts        = 10
  plugged_into = ["on-c"] # ERROR: Plugged into another feed
}
