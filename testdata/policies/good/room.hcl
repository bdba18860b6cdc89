# What the policy says of heat and of an emergency power off.

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

temperature "inlet" {
  limit        = 35
  rate         = 20
  with_input   = true
  confirmed_by = "ups"
  every        = "15s"
  snmp {
    address   = "192.0.2.30"
    version   = "2c"
    community = secret("sensor")
    oid       = "1.3.6.1.2.1.99.1.1.1.4.1"
    scale     = 0.1
  }
  room {
    time_constant    = "37m"
    watts_per_kelvin = 60
  }
}

temperature "ups" {
  limit = 40
  ups   = "rack" # WARNING: Coarse sensor
}

temperature "shelf" {
  limit = 40
  hosts = ["vault"]
  file {
    path  = "/sys/class/hwmon/hwmon0/temp1_input"
    scale = 0.001
  }
}

emergency_off "door" {
  cuts   = "both"
  ups    = "rack"
  oid    = "1.3.6.1.4.1.8072.9999.1.0"
  active = 2
}

emergency_off "desk" {
  cuts = "output"
  gpio {
    chip   = "/dev/gpiochip0"
    line   = 17
    active = "low"
    bias   = "pull_up"
  }
}

emergency_off "gas" {
  kind    = "fire"
  cuts    = "both"
  every   = "5s"
  command = ["/usr/local/bin/fire-panel"]
}
