# How a UPS is reached.

site "barn" {
  traps {
    listen    = "192.0.2.5" # ERROR: Invalid address
    community = "public"    # ERROR: Secret expected
  }
}

ups "a" {
  rated_watts = 2700
  battery {
    chemistry = "vrla"
    volts     = 72
    amp_hours = 9
  }
  snmp {
    address  = "192.0.2.10"
    version  = 3 # ERROR: Wrong kind of value
  }
  hid { # ERROR: Exactly one is needed
    path   = "/dev/hidraw0"
    serial = "1" # ERROR: Exactly one is needed
  }
}

ups "b" {
  rated_watts = 2700
  battery {
    chemistry = "vrla"
    volts     = 72
    amp_hours = 9
  }
  snmp { # ERROR: Missing attribute
    address         = "192.0.2.10"
    version         = "3"
    community       = secret("ups") # ERROR: Does not apply here
    write_community = secret("ups") # ERROR: Does not apply here
    auth            = "MD5"         # WARNING: Weak cryptography
    auth_key        = secret("ups")
    priv            = "3DES"        # ERROR: Unknown choice
    priv_key        = secret("ups")
  }
}

ups "c" {
  rated_watts = 2700
  battery {
    chemistry = "vrla"
    volts     = 72
    amp_hours = 9
  }
  snmp {
    address   = "192.0.2.10"
    version   = "2c"
    community = secret("ups")
    user      = "ebbline"     # ERROR: Does not apply here
    auth_key  = secret("ups") # ERROR: Does not apply here
    scale     = {
      upsOutputPowr  = 0.1    # ERROR: Unknown RFC 1628 object
      upsOutputPower = 0      # ERROR: Out of range
    }
    missing = ["temperature"] # ERROR: Unknown RFC 1628 object
  }
}

ups "d" {
  rated_watts = 2700
  battery {
    chemistry = "vrla"
    volts     = 72
    amp_hours = 9
  }
  snmp {
    address  = "192.0.2.10"
    version  = "2"         # ERROR: Unknown choice
    scale    = [1]         # ERROR: Wrong kind of value
    missing  = {}          # ERROR: Wrong kind of value
  }
}

ups "e" {
  rated_watts = 2700
  battery {
    chemistry = "vrla"
    volts     = 72
    amp_hours = 9
  }
  snmp { # ERROR: Missing attribute
    address  = "192.0.2.10"
    version  = "3"
    user     = "ebbline"
    auth     = "SHA256"
    priv     = "DES"          # WARNING: Weak cryptography
    priv_key = secret("ups")  # ERROR: Does not apply here
  }
}

ups "f" { # WARNING: UPS not read
  rated_watts = 2700
  battery {
    chemistry = "vrla"
    volts     = 72
    amp_hours = 9
  }
  output { # ERROR: Does not apply here # ERROR: Missing attribute
    cut_after    = "1m"
  }
}
