# Ways to stop and start a host that do not hold together.

site "barn" {
}

ups "rack" {
  rated_watts = 2700
  battery {
    chemistry = "vrla"
    volts     = 72
    amp_hours = 9
    installed = "2025-03-01"
  }
  hid {
    serial = "1"
  }
}

host "none" { # ERROR: Host without a way to stop it
  priority = 50
  fed_by   = ["rack"]
  watts    = 50
  stops_in = "1m"
}

host "keys" {
  priority = 50
  fed_by   = ["rack"]
  watts    = 50
  stops_in = "1m"
  ssh { # ERROR: Exactly one is needed
    address = "192.0.2.20"
    user    = "ebbline"
    key     = secret("ssh-key")
  }
  ssh {
    address     = "192.0.2.20"
    user        = "ebbline"
    key         = secret("ssh-key")
    host_key    = "SHA256:iq0cUhHaGQq9zFuCDVYZDvLVXTtGGjuGvjeW2UGGCjk"
    known_hosts = "/etc/ebbline/known_hosts" # ERROR: Exactly one is needed
  }
  ssh {
    address  = "192.0.2.20"
    user     = "ebbline"
    key      = secret("ssh-key")
    host_key = "MD5:16:27:ac:a5:76:28:2d:36:63:1b:56:4d:eb:df:a6:48" # ERROR: Invalid fingerprint
  }
  ssh { # ERROR: Missing attribute
    address  = "192.0.2.20"
    user     = "ebbline"
    host_key = "SHA256:short" # ERROR: Invalid fingerprint
  }
}

host "elsewhere" {
  priority = 50
  fed_by   = ["rack"]
  watts    = 50
  stops_in = "1m"
  local { # ERROR: Local command on another host
    command = ["systemctl", "poweroff"]
  }
  start { # ERROR: Does not apply here
    command = "sudo systemctl start guest"
  }
}

host "lists" {
  priority = 50
  fed_by   = ["rack"]
  watts    = 50
  stops_in = "1m"
  self     = true
  local {
    command = "systemctl poweroff" # ERROR: Wrong kind of value
  }
  local {
    command = [] # ERROR: Invalid text
  }
  local {
    command = ["", 5] # ERROR: Wrong kind of value # ERROR: Wrong kind of value
  }
}

host "controller" {
  priority = 50
  fed_by   = ["rack"]
  watts    = 50
  stops_in = "1m"
  prepare { # ERROR: SSH needed # ERROR: Missing attribute
    command = "sync"
  }
  bmc {
    protocol    = "ipmi"
    address     = "192.0.2.120"
    user        = ""                # ERROR: Invalid text
    password    = secret("bmc")
    system      = "1"               # ERROR: Does not apply here
    certificate = "SHA256:iq0cUhHaGQq9zFuCDVYZDvLVXTtGGjuGvjeW2UGGCjk" # ERROR: Does not apply here
    force       = 1                 # ERROR: Wrong kind of value
  }
  bmc { # ERROR: Missing attribute
    protocol    = "redfihs"         # ERROR: Unknown choice
    address     = "192.0.2.120"
    user        = "ebbline"
  }
  bmc {
    protocol    = "redfish"
    address     = "192.0.2.120/redfish/v1" # ERROR: Invalid address
    user        = "ebbline"
    password    = secret("bmc")
    certificate = "aa:bb"           # ERROR: Invalid fingerprint
  }
  bmc {
    protocol    = "redfish"
    address     = "http://192.0.2.120" # WARNING: Weak cryptography
    user        = "ebbline"
    password    = secret("bmc")
    certificate = "SHA256:00"       # ERROR: Does not apply here
  }
  bmc {
    protocol = "redfish"
    address  = "192.0.2.120"
    user     = "ebbline"
    password = secret("bmc")
    suites   = [17]                 # ERROR: Does not apply here
  }
}

host "socket" {
  priority = 50
  fed_by   = ["rack"]
  watts    = 50
  stops_in = "1m"
  outlet { # ERROR: Missing attribute
    address = "192.0.2.50"
  }
  outlet { # ERROR: Missing attribute
    protocol  = "redfish"
    address   = "192.0.2.50"
    user      = "ebbline"
    password  = secret("pdu")
    community = secret("pdu")       # ERROR: Does not apply here
    oid       = "1.3.6.1"           # ERROR: Does not apply here
  }
  outlet {
    protocol = "snmp"
    address  = "192.0.2.50"
    version  = "2c"
    name     = "7"                  # ERROR: Does not apply here
    oid      = "enterprises.9.1"    # ERROR: Invalid object identifier
    on       = 1 # ERROR: Out of range
    off      = 1
    read_oid = ".1.3.-6"            # ERROR: Invalid object identifier
  }
}

host "orphan" {
  priority = 50
  stops_in = "1m"
  runs_on = "socket"
  start { # ERROR: SSH needed
    command = "sudo systemctl start guest-orphan"
  }
  ssh {
    address     = "192.0.2.20"
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
}
