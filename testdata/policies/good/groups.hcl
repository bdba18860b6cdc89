# What a host takes from its group: settings it does not have itself, and
# blocks attribute by attribute.

site "groups" {
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
  output {
    cut_after    = "3m"
    return_after = "1m"
  }
}

group "all" {
  fed_by    = ["rack"]
  watts     = 50
  stops_in  = "1m"
  starts_in = "4m"
  probe {
    quiet_for = "30s"
  }
  ssh {
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
    command     = "sudo systemctl poweroff"
  }
}

group "servers" {
  group    = "all"
  priority = 50
  stops_in = "2m"
  ssh {
    command = "sudo shutdown -h now"
  }
  bmc {
    protocol = "ipmi"
    user     = "ebbline"
    password = secret("bmc")
    gives_up = "3m"
  }
}

# Two SSH methods are both completed by the group's one; the controller is
# between them, where it is written; the own host key outranks the group's file.
host "a" {
  group    = "servers"
  priority = 60
  ssh {
    address = "a.example"
  }
  bmc {
    address = "a-bmc.example"
  }
  ssh {
    address  = "a.example:2222"
    command  = "sudo systemctl poweroff --force"
    host_key = "SHA256:iq0cUhHaGQq9zFuCDVYZDvLVXTtGGjuGvjeW2UGGCjk"
  }
}

# The group's methods follow the own ones.
host "b" {
  group = "servers"
  outlet {
    protocol = "redfish"
    address  = "pdu.example"
    user     = "ebbline"
    password = secret("pdu")
    name     = "A1"
  }
  bmc {
    address = "b-bmc.example"
  }
  ssh {
    address = "b.example"
  }
}

# Of the group a host that stays up takes no methods.
host "c" {
  group    = "all"
  stays_up = true
}

host "d" {
  self     = true
  priority = 90
  fed_by   = ["rack"]
  watts    = 5
  stops_in = "30s"
  local {
    command = ["systemctl", "poweroff"]
  }
}
