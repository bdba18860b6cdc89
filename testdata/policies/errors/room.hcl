# Mistakes about heat and emergency switches.

site "barn" {
}

ups "rack" {
  class       = "VFI"
  rated_watts = 2700
  battery {
    chemistry = "vrla"
    volts     = 72
    amp_hours = 9
    installed = "2025-03-01"
  }
  snmp {
    address  = "192.0.2.10"
    version  = "3"
    user     = "ebbline"
    auth_key = secret("ups-auth")
    priv_key = secret("ups-priv")
  }
  output {
    cut_after = "5m"
    return_after  = "1m"
  }
}

host "vault" {
  priority = 50
  fed_by   = ["rack"]
  watts    = 85
  stops_in = "3m"
  ssh {
    address  = "192.0.2.20"
    user     = "ebbline"
    key      = secret("ssh-key")
    host_key = "SHA256:iq0cUhHaGQq9zFuCDVYZDvLVXTtGGjuGvjeW2UGGCjk"
  }
}

host "gate" {
  self     = true
  priority = 100
  fed_by   = ["rack"]
  watts    = 6
  stops_in = "20s"
  local { command = ["systemctl", "poweroff"] }
}

ups "blind" { # WARNING: UPS not read
  class       = "VI"
  rated_watts = 600
  battery {
    chemistry = "vrla"
    volts     = 24
    amp_hours = 9
    installed = "2025-03-01"
  }
}

temperature "none" { # ERROR: Exactly one is needed # ERROR: Missing attribute
}

temperature "two" { # ERROR: Exactly one is needed
  limit = 35
  ups   = "rack"
  file {
    path = "temp1_input" # ERROR: Invalid path
  }
}

temperature "fahrenheit" {
  limit = 95 # ERROR: Out of range
  ups   = "rak" # ERROR: Unknown UPS
}

temperature "blind" {
  limit = 35
  ups   = "blind" # ERROR: Does not apply here
}

temperature "alone" { # ERROR: No second sensor
  limit      = 35
  with_input = true
  ups        = "rack"
}

temperature "itself" {
  limit        = 35
  with_input   = true
  confirmed_by = "itself" # ERROR: No second sensor
  ups          = "rack"
}

temperature "twin" {
  limit        = 35
  confirmed_by = "itself" # ERROR: No second sensor
  ups          = "rack"
}

temperature "lost" {
  limit        = 35
  confirmed_by = "inlet" # ERROR: Unknown temperature
  hosts        = ["valt"] # ERROR: Unknown host
  rate         = "20" # ERROR: Wrong kind of value
  file {
    path  = "/run/../etc/temperature" # ERROR: Invalid path
    scale = 0.001
  }
}

temperature "nowhere" {
  limit = 35
  hosts = [] # ERROR: Out of range
  snmp {
    address = "192.0.2.30"
    version = "1"
    oid     = "temperature" # ERROR: Invalid object identifier
    scale   = 0.1
  }
  room { # ERROR: Missing attribute
    time_constant = "2100" # ERROR: Duration without unit
  }
}

temperature "flat" { # ERROR: Out of range
  limit = 35
  snmp { # ERROR: Missing attribute
    address = "192.0.2.30"
    version = "1"
    scale   = 0
  }
}

emergency_off "none" { # ERROR: Exactly one is needed
  kind = "flood" # ERROR: Unknown choice
  cuts = "all" # ERROR: Unknown choice
}

emergency_off "both" { # ERROR: Exactly one is needed
  command = ["/bin/true"]
  gpio { # ERROR: Missing attribute
    chip   = "/tmp/gpiochip0" # ERROR: Invalid path
    line   = 1
    bias   = "up" # ERROR: Unknown choice
  }
}

emergency_off "card" { # ERROR: Missing attribute
  ups = "blind" # ERROR: Does not apply here
  oid = "1.3.6.1.4.1.8072.9999.1.0"
}

emergency_off "stray" {
  command = ["/bin/true"]
  active  = 1 # ERROR: Does not apply here
}

emergency_off "gone" {
  ups    = "shed" # ERROR: Unknown UPS
  oid    = "1.3.6.1.4.1.8072.9999.1.0"
  active = 1
}
