package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"plugproof/profiles"
	"plugproof/profiles/bundle"
	"plugproof/profiles/job"
)

// jobBundleOptions are the flags of job bundle.
type jobBundleOptions struct {
	profileFolders
	out    string
	format string
	whole  list
	photos bool
}

func newJobBundle(a *app) *cobra.Command {
	var o jobBundleOptions
	cmd := &cobra.Command{
		Use:   "bundle DIR",
		Short: "Put together what the support of the ECU's maker needs, masked",
		Long: `Put together an archive for the support of the ECU's maker: the newest captures
cut to 10 s before and after each finding, with their stages; the profile as
composed and its DBC files; the newest results; codes and lamps before and
after; both settings. README.txt in it says what it holds, manifest.json has the
SHA-256 of every file. Made again of the same job it has the same bytes.

What tells whose car it is does not go in: frames that carry the vehicle number,
answers of modules that tell it, what is exchanged as a key are masked, and the
number in every text but for its last four characters. The customer's name and
photos stay out; --photos puts them in as they are.

The archive is results/bundle.zip in the folder, or --out.
Exit code 1: a file of the job is gone or was changed; the archive says which.`,
		Example: `  plugproof job bundle blue-ute
  plugproof job bundle blue-ute --whole after --out for-support.zip`,
		Args: oneFolder,
		RunE: func(cmd *cobra.Command, args []string) error {
			return runJobBundle(cmd.Context(), a, &o, args[0])
		},
	}
	o.addFlags(cmd.Flags())
	cmd.Flags().StringVarP(&o.out, "out", "o", "", "write the archive to `FILE`")
	cmd.Flags().StringVarP(&o.format, "format", "f", "text", "`FORMAT` of what is printed: text or json, the manifest")
	cmd.Flags().Var(&o.whole, "whole", "put in the capture of this `MOMENT` uncut; may be repeated")
	cmd.Flags().BoolVar(&o.photos, "photos", false, "put in the photos, in which nothing is masked")
	return cmd
}

func runJobBundle(ctx context.Context, a *app, o *jobBundleOptions, dir string) error {
	if err := oneOf("--format", o.format, "text", "json"); err != nil {
		return err
	}
	j, err := openJob(dir)
	if err != nil {
		return err
	}
	opts, err := o.options(a, j)
	if err != nil {
		return err
	}
	path := o.out
	if path == "" {
		path = j.Path(job.BundleName)
	}
	out, err := a.output(path, jobFiles(j)...)
	if err != nil {
		return err
	}
	defer out.Drop()
	manifest, err := bundle.Write(ctx, out, j, opts)
	if errors.Is(err, bundle.ErrNotInside) {
		return hint(err, "copy it into the folder of the job, or leave --photos out")
	}
	if err != nil {
		return err
	}
	if err := out.Commit(); err != nil {
		return err
	}
	if path != "-" { // else standard output is the archive
		if o.format == "json" {
			err = writeJSON(a.stdout, manifest)
		} else {
			writeManifest(a.stdout, manifest, path)
		}
	}
	if err == nil && len(manifest.Damage) > 0 {
		err = errFailed
	}
	return err
}

// options loads the setting of a job, and those by which its results were judged.
func (o *jobBundleOptions) options(a *app, j *job.Job) (bundle.Options, error) {
	opts := bundle.Options{Version: toolVersion, Photos: o.photos}
	for _, text := range o.whole {
		m := job.Moment(text)
		if !m.Valid() {
			return opts, hint(fmt.Errorf("--whole %q is no moment of a job", text), "one of %s", joinMoments(job.Moments()))
		}
		if j.CaptureOf(m) == nil {
			return opts, hint(fmt.Errorf("%s holds no capture of %s", j.Dir, m), "plugproof job add files one")
		}
		opts.Whole = append(opts.Whole, m)
	}
	name := j.Card.Settings.Network
	if name == "" {
		return opts, nil
	}
	var err error
	opts.Setting, opts.Library, err = o.setting(name)
	if errors.Is(err, profiles.ErrNoProfile) {
		return opts, hint(fmt.Errorf("the network setting of job.yaml: %w", err),
			"what is secret in captures follows from it: correct it there, or name its folder with --profiles")
	}
	if err != nil {
		return opts, err
	}
	seen := []string{name}
	for _, e := range j.Journal {
		for other := range strings.FieldsSeq(e.Setting) {
			if slices.Contains(seen, other) {
				continue
			}
			seen = append(seen, other)
			s, _, err := o.setting(other)
			if err != nil {
				a.remark("%s was judged by %s, which is not on file: what it alone calls secret is not masked", e.File, other)
				continue
			}
			opts.Others = append(opts.Others, s)
		}
	}
	return opts, nil
}

// jobFiles lists the files of a job, for --out not to replace one.
func jobFiles(j *job.Job) []string {
	list := []string{j.Path(job.CardName)}
	for _, e := range j.Journal {
		list = append(list, j.Path(e.File))
	}
	return list
}

// writeManifest says what went into an archive.
func writeManifest(w io.Writer, m *bundle.Manifest, path string) {
	fmt.Fprintln(w, plain(path))
	for _, c := range m.Captures {
		for _, cut := range c.Cuts {
			what := "around what was found"
			if cut.Whole {
				what = "the whole capture"
			}
			fmt.Fprintf(w, "  %s: %.1f to %.1f s, %s\n", cut.File, cut.FromS, cut.ToS, what)
		}
		for _, f := range c.Findings {
			if f.Shows != nil && !*f.Shows {
				writeLine(w, fmt.Sprintf("    %s %s %s does not show in the cut alone: --whole %s puts in all", f.Verdict, f.Rule, f.Message, c.Moment), 6)
			}
		}
	}
	frames := uint64(0)
	for _, x := range m.Masked {
		frames += x.Frames
	}
	fmt.Fprintf(w, "  masked: %s, %s in texts\n", plural(int(frames), "frame"), plural(m.Texts, "place"))
	for _, s := range m.LeftOut {
		writeLine(w, "  left out: "+s, 4)
	}
	for _, d := range m.Damage {
		writeLine(w, "  "+d.File+" "+d.What, 4)
	}
}
