# Numbers of another kind, out of range, negative or huge.

site "barn" {
  confidence    = 1.5  # ERROR: Out of range
  stops_at_once = 2.5  # ERROR: Out of range
}

ups "rack" {
  rated_watts    = "2700" # ERROR: Wrong kind of value
  rated_va       = -3000  # ERROR: Out of range
  overhead_watts = -1     # ERROR: Out of range
  efficiency     = 88     # ERROR: Out of range
  battery {
    chemistry          = "vrla"
    volts              = 0                     # ERROR: Out of range
    amp_hours          = 1e300                 # ERROR: Out of range
    design_years       = 0                     # ERROR: Out of range
    temperature        = -273                  # ERROR: Out of range
    recharge_hours     = 99999999999999999999  # ERROR: Out of range
    end_volts_per_cell = 10.5                  # ERROR: Out of range
  }
  hid {
    serial = "1"
  }
}

ups "shelf" {
  rated_watts = 900
  rated_va    = 800 # ERROR: Out of range
  battery {
    chemistry   = "vrla"
    volts       = 24
    amp_hours   = 9
    temperature = -5
  }
  hid {
    serial = 1042 # ERROR: Wrong kind of value
  }
}

load "radio" {
  fed_by = ["rack"]
  watts  = 0 # ERROR: Out of range
}

host "vault" {
  priority       = 0        # ERROR: Out of range
  fed_by         = "rack"   # ERROR: Wrong kind of value
  watts          = -85      # ERROR: Out of range
  stopping_watts = 1e308    # ERROR: Out of range
  self           = "true"   # ERROR: Wrong kind of value
  stops_in       = "1m"
  ssh {
    address     = "192.0.2.20"
    user        = true # ERROR: Wrong kind of value
    key         = secret("ssh-key")
    known_hosts = null # ERROR: Wrong kind of value
  }
}

host "press" {
  priority = 1.5              # ERROR: Out of range
  fed_by   = []               # ERROR: No feed
  watts    = 1e999999999      # ERROR: Out of range
  stops_in = "1m"
  outlet {
    protocol    = "snmp"
    address     = "192.0.2.50"
    version     = "2c"
    oid         = "1.3.6"
    off         = 2147483648  # ERROR: Out of range
    on          = 1
    off_reading = [1]         # ERROR: Wrong kind of value
  }
}

host "mail" {
  priority = 9007199254740993 # ERROR: Out of range
  runs_on  = ["press"]        # ERROR: Wrong kind of value
  watts    = 10
  stops_in = "1m"
  bmc {
    protocol = "ipmi"
    address  = "192.0.2.51"
    user     = "ebbline"
    password = secret("bmc")
    suites   = [0]            # ERROR: Out of range
  }
}
