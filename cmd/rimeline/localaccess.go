package main

import (
	"crypto/rand"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"github.com/google/renameio/v2"

	"rimeline/seedability/bus"
)

// How commands reach a service with a bus of its own on the same computer: the
// service listens for this computer only, and leaves in its data folder where, and
// a user and password that are made anew at each start. Whoever may read that file
// may do everything; nobody else on the computer may do anything.
const (
	// accessFile holds one line user:password while the service runs. Other programs
	// may be given it as their --user-file.
	accessFile = "access"
	// addressFile says where the service listens while it runs.
	addressFile = "address"
	// localUser is the name of the user.
	localUser = "local"
)

// maxAddressBytes is far more than an address file has.
const maxAddressBytes = 4096

// localAddress is the content of the address file.
type localAddress struct {
	Address string `json:"address"`
	// OwnUsers: the users are those of the service's --server-config.
	OwnUsers bool `json:"own_users"`
}

// localAccess is what a service has opened for commands on the same computer.
type localAccess struct {
	folder   string
	ownUsers bool
}

// openLocalAccess adds to the options of a server what lets commands in, and writes
// the access file; before the server starts. A server with users of its own stays
// as it is, and so does one that asks to be reached from other computers: package
// bus refuses that without users.
func openLocalAccess(folder string, o *bus.ServerOptions) (*localAccess, error) {
	a := &localAccess{folder: folder, ownUsers: o.ConfigFile != "" || o.UserFile != ""}
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return nil, plainPathError(err)
	}
	// In this order: who finds an address finds the password that belongs to it.
	for _, left := range []string{addressFile, accessFile} {
		if err := a.remove(left); err != nil {
			return nil, err
		}
	}
	if a.ownUsers || o.Listen != "" && !onThisComputer(o.Listen) {
		return a, nil
	}
	if o.Listen == "" {
		o.Listen = "127.0.0.1:0"
	}
	secret := make([]byte, 32)
	if _, err := rand.Read(secret); err != nil {
		return nil, err
	}
	line := localUser + ":" + base64.RawURLEncoding.EncodeToString(secret) + "\n"
	path := filepath.Join(folder, accessFile)
	if err := renameio.WriteFile(path, []byte(line), 0o600); err != nil {
		return nil, fmt.Errorf("access for commands on this computer: %w", err)
	}
	o.UserFile = path
	return a, nil
}

// onThisComputer: host:port can be reached from this computer only. What cannot be
// read is left to package bus, which says what is wrong.
func onThisComputer(address string) bool {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return false
	}
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// announce says where the server listens, once it does.
func (a *localAccess) announce(address string) error {
	if address == "" {
		return nil
	}
	b, err := json.Marshal(localAddress{address, a.ownUsers})
	if err != nil {
		return err
	}
	if err := renameio.WriteFile(filepath.Join(a.folder, addressFile), append(b, '\n'), 0o644); err != nil {
		return fmt.Errorf("access for commands on this computer: %w", err)
	}
	return nil
}

// Close takes address and password away. What a process that is killed leaves is
// of no use to anybody: the password ended with it.
func (a *localAccess) Close() {
	_ = a.remove(addressFile)
	_ = a.remove(accessFile)
}

func (a *localAccess) remove(name string) error {
	err := os.Remove(filepath.Join(a.folder, name))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}

// readLocalAddress reads the address file of a data folder.
func readLocalAddress(folder string) (localAddress, error) {
	path := filepath.Join(folder, addressFile)
	b, err := readFileBytes(path, maxAddressBytes)
	if err != nil {
		return localAddress{}, err
	}
	var a localAddress
	if err := json.Unmarshal(b, &a); err != nil || a.Address == "" {
		return localAddress{}, fmt.Errorf("%s does not say where a service listens", path)
	}
	return a, nil
}

// systemFolder is where the example unit of the service manager keeps the data.
var systemFolder = "/var/lib/rimeline"

// findLocalService gives the data folder of the service on this computer. Without
// data it looks where a service keeps it unless it is told, and where the service
// manager does.
func findLocalService(data string) (string, error) {
	if data != "" {
		_, err := localService(data)
		return data, err
	}
	standard, err := (&processFlags{}).dataFolder()
	if err != nil {
		return "", err
	}
	_, refused := localService(standard)
	if refused == nil {
		return standard, nil
	}
	_, err = localService(systemFolder)
	switch {
	case err == nil:
		return systemFolder, nil
	case errors.Is(refused, errNoService) && !errors.Is(err, errNoService):
		return "", err
	}
	return "", refused
}

var errNoService = errors.New("no service with a bus of its own runs")

// localService looks into a data folder for the address of a service.
func localService(folder string) (string, error) {
	const elsewhere = "or name the bus with --nats URL (and --creds, --nkey or --user-file)"
	a, err := readLocalAddress(folder)
	switch {
	case errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ENOTDIR):
		return "", fmt.Errorf("%w with the data folder %s: start one (rimeline watch), name its folder with --data DIR, %s", errNoService, folder, elsewhere)
	case errors.Is(err, fs.ErrPermission):
		return "", fmt.Errorf("the data folder %s is not yours to read: run this as the user of the service, %s", folder, elsewhere)
	case err != nil:
		return "", err
	case a.OwnUsers:
		return "", fmt.Errorf("the service with the data folder %s has users of its own (--server-config): connect with --nats %s and --creds, --nkey or --user-file", folder, a.Address)
	}
	file, err := os.Open(filepath.Join(folder, accessFile))
	switch {
	case errors.Is(err, fs.ErrPermission):
		return "", fmt.Errorf("the data folder %s is not yours to use: run this as the user of the service, %s", folder, elsewhere)
	case err != nil:
		return "", plainPathError(err)
	}
	file.Close()
	u, err := url.Parse(a.Address)
	if err != nil || !onThisComputer(u.Host) {
		return "", fmt.Errorf("%s does not name an address of this computer", filepath.Join(folder, addressFile))
	}
	return u.Host, nil
}

// dutyFlags are common to the commands that people run beside a service.
type dutyFlags struct {
	busFlags
	Data string `placeholder:"DIR" help:"Where --nats is left out: data folder of the service on this computer; left out: the one that a service takes unless it is told."`
}

// secretOfEnvironment: the environment says who we are on the bus.
func secretOfEnvironment() bool {
	for _, name := range []string{"RIMELINE_NATS_USER", "RIMELINE_NATS_TOKEN"} {
		if _, there := os.LookupEnv(name); there {
			return true
		}
	}
	return false
}

// fit finds flags that do not go together.
func (f *dutyFlags) fit() error {
	switch {
	case f.Nats == "" && f.Creds+f.NKey+f.User != "":
		return usageError("--creds, --nkey and --user-file need --nats URL")
	case f.Nats != "" && f.Data != "":
		return usageError("--data is for a service on this computer, --nats for a bus elsewhere")
	}
	return nil
}

// connect joins the bus that the flags name, or that of the service on this
// computer, wherever that listens after a restart.
func (f *dutyFlags) connect(env *environment) (*bus.Bus, error) {
	// A person waits.
	options := f.options()
	options.RetryTime, options.ReadyTime = 15*time.Second, 10*time.Second
	if err := f.fit(); err != nil {
		return nil, err
	}
	if f.Nats == "" {
		folder, err := findLocalService(f.Data)
		if err != nil {
			return nil, err
		}
		options.UserFile = filepath.Join(folder, accessFile)
		connection, err := bus.ConnectWhere(env, func() (string, error) { return localService(folder) }, options)
		if err != nil {
			return nil, fmt.Errorf("the service with the data folder %s: %w (did it end without putting its things away? start it again, name another with --data DIR, or name the bus with --nats URL)", folder, err)
		}
		return connection, nil
	}
	files := options.CredentialsFile + options.NKeyFile + options.UserFile
	connection, err := bus.Connect(env, f.Nats, options)
	if u, _ := url.Parse(f.Nats); err != nil && u != nil && files == "" && !secretOfEnvironment() && onThisComputer(u.Host) {
		err = fmt.Errorf("%w (for a service on this computer leave --nats out, and name its data folder with --data)", err)
	}
	return connection, err
}
