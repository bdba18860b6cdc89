# Durations without a unit, of no form, zero, negative or out of range.

site "barn" {
  ride_through = "90"  # ERROR: Duration without unit
  reserve      = 90    # ERROR: Duration without unit
  restore {
    stable_for = "-5m" # ERROR: Out of range
    stagger    = "0s"  # ERROR: Out of range
  }
}

ups "rack" {
  rated_watts = 2700
  battery {
    chemistry = "vrla"
    installed = "2025-13-01" # ERROR: Invalid date
    model {
      store_watt_hours = 312
      ohmic            = "9 min"      # ERROR: Invalid duration
      diffusion        = "-1s"        # ERROR: Out of range
      relaxation       = "2562048h"   # ERROR: Invalid duration
    }
  }
  snmp {
    address    = "192.0.2.10"
    version    = "2c"
    poll_every = "10ms"  # ERROR: Out of range
    timeout    = "1h"    # ERROR: Out of range
    delay_step = "0m"    # ERROR: Out of range
  }
  output {
    cut_after    = "0s"     # ERROR: Out of range
    return_after = "1 day"  # ERROR: Invalid duration
  }
}

ups "shelf" {
  rated_watts = 900
  battery {
    chemistry = "vrla"
    volts     = 24
    amp_hours = 9
    installed = 2025 # ERROR: Wrong kind of value
  }
  snmp {
    address    = "192.0.2.11"
    version    = "2c"
    poll_every = "1s"
    timeout    = "2s" # ERROR: Out of range
  }
}

host "vault" {
  priority  = 90
  fed_by    = ["rack"]
  watts     = 85
  keep_for  = ""       # ERROR: Invalid duration
  stops_in  = "0s"     # ERROR: Out of range
  gives_up  = true     # ERROR: Wrong kind of value
  starts_in = "1.5"    # ERROR: Duration without unit
  prepare {
    command  = "sync"
    ahead    = "-0h"   # ERROR: Out of range
    gives_up = ["1m"]  # ERROR: Wrong kind of value
  }
  ssh {
    address     = "192.0.2.20"
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
    gives_up    = "9999999999999999999s" # ERROR: Invalid duration
  }
  probe {
    address   = "192.0.2.20:22"
    quiet_for = "90min" # ERROR: Invalid duration
  }
}
