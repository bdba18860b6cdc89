# Makes a Debian to boot, in memory: root.sh ROOT LAYER. Its /usr is this machine's,
# with what is written there in memory too; what is installed is what this machine
# has; /etc and /var are new.
root=$1 layer=$2
mount -t tmpfs tmpfs "$root"
mount -t tmpfs tmpfs "$layer"
mkdir "$layer/upper" "$layer/work" "$root/usr" "$root/etc" "$root/var" "$root/var/lib" "$root/root"
mount -t overlay overlay -o "lowerdir=/usr,upperdir=$layer/upper,workdir=$layer/work" "$root/usr"
rm -f "$root/usr/sbin/policy-rc.d" # where this machine starts no services, its own do
for link in /bin /sbin /lib*; do [ ! -L "$link" ] || cp -P "$link" "$root$link"; done
mkdir -p "$root/etc/systemd/system/multi-user.target.wants" # as a Debian has
cp -a /var/lib/dpkg "$root/var/lib/dpkg"
: >"$root/var/lib/dpkg/statoverride" # it names users of this machine
for file in alternatives debian_version dpkg ld.so.cache ld.so.conf ld.so.conf.d login.defs nsswitch.conf pam.d; do
  [ ! -e "/etc/$file" ] || cp -a "/etc/$file" "$root/etc/$file"
done
# Not a first boot, which would start all that is installed.
echo 0123456789abcdef0123456789abcdef >"$root/etc/machine-id"
systemd-sysusers --root="$root"
