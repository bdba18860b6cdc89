# Circuits and PDUs that carry too much, unevenly, or all at once.

site "barn" {
}

circuit "wall" {
  volts        = 120
  amps         = 15       # WARNING: Circuit overloaded
  wire         = "14 AWG" # WARNING: Voltage drop
  length_feet  = 100
}

circuit "split" { # WARNING: Lines loaded unevenly
  volts = 120
  amps  = 30
  lines = 2
}

circuit "socket" {
  volts = 230
  amps  = 16 # WARNING: Circuit overloaded
  other_watts = 2400
}

circuit "listed" { # carries more than 80 %, and is listed for all of it
  volts       = 120
  amps        = 20
  breaker     = "100%"
  other_watts = 2000
}

ups "left" {
  class       = "VI"
  rated_watts = 3600
  rated_va    = 3600
  circuit     = "split:L1"
  battery {
    chemistry = "vrla"
    volts     = 72
    amp_hours = 18
    installed = "2025-03-01"
  }
  hid { serial = "1" }
  output {
    cut_after    = "5m"
    return_after = "1m"
  }
}

ups "right" {
  class       = "VI"
  rated_watts = 2000 # WARNING: High load
  rated_va    = 2000 # WARNING: More volt-amperes than rated
  circuit     = "wall"
  battery {
    chemistry      = "vrla"
    volts          = 48
    amp_hours      = 18
    installed      = "2025-03-01"
    recharge_hours = 6
  }
  hid { serial = "2" }
  output {
    cut_after    = "5m"
    return_after = "1m"
  }
}

pdu "strip" { # WARNING: High inrush
  fed_by = "left"
  amps   = 15 # WARNING: PDU overloaded
}

pdu "small" {
  fed_by = "right"
  amps   = 5 # WARNING: PDU overloaded
}

group "box" {
  priority = 10
  stops_in = "1m"
  ssh {
    user     = "ebbline"
    key      = secret("key")
    host_key = "SHA256:AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"
  }
}

host "a" {
  group        = "box"
  fed_by       = ["left"]
  watts        = 300
  plugged_into = ["strip"]
  ssh { address = "192.0.2.1" }
}

host "b" {
  group        = "box"
  fed_by       = ["left"]
  watts        = 300 # WARNING: Watts of the nameplate
  nameplate_watts = 300
  plugged_into = ["strip"]
  ssh { address = "192.0.2.2" }
}

host "c" {
  group        = "box"
  fed_by       = ["left"]
  watts        = 300 # WARNING: Watts of the nameplate
  nameplate_watts = 250
  plugged_into = ["strip"]
  inrush_amps  = 55
  ssh { address = "192.0.2.3" }
}

host "d" {
  group        = "box"
  fed_by       = ["left", "right"]
  watts        = 1100
  power_factor = 0.9
  plugged_into = ["strip", "small"]
  ssh { address = "192.0.2.4" }
}

host "e" {
  group        = "box"
  fed_by       = ["right"]
  watts        = 850
  power_factor = 0.9
  wake { ethernet = "02:00:00:00:00:05" }
  ssh { address = "192.0.2.5" }
}

host "gate" {
  self     = true
  priority = 100
  fed_by   = ["left"]
  watts    = 8
  stops_in = "30s"
  inrush_amps = 5
  local {
    command = ["systemctl", "poweroff"]
  }
}
